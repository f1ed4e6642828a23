"""What the recipe says of the line, carried out in a batch: golden units, retests, rules that call, quarantine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from wavewright.instruments.bench_file import BenchFile
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.batch_charts import BatchCall, BatchCharts
from wavewright.logbook.book import Logbook
from wavewright.logbook.golden_duty import GoldenDue, GoldenDuty, GoldenPlace, unexpected
from wavewright.logbook.line_notes import NoteKind, note_now
from wavewright.logbook.quarantine import in_quarantine, quarantine_words
from wavewright.logbook.spool_folder import spool_beside
from wavewright.logbook.unit_admission import LineRecords, counted_runs, place_of_run
from wavewright.recipe.golden_units import KnownAs
from wavewright.recipe.recipe import Recipe
from wavewright.recipe.stop_rules import CallAction
from wavewright.running.outcome import Outcome
from wavewright.running.run_options import RunOptions

MOST_GOLDEN_ATTEMPTS = 3


class LineDesk(Protocol):
    """The operator of a line."""

    def golden(self, due: GoldenDue) -> bool:
        """Ask for a golden unit; whether it was put in."""

    def measured_golden(self, outcome: Outcome) -> None:
        """A golden unit was measured."""

    def retest(self, serial: str, number: int, at_most: int, verdict: Verdict) -> bool:
        """Ask to put the same unit in again; whether it was."""

    def called(self, call: BatchCall) -> None:
        """A rule of the batch has called."""

    def may_go_on(self, call: BatchCall) -> bool:
        """Ask whether a further unit begins after a call; no where nobody is there."""

    def say(self, text: str) -> None:
        """Show a text."""


@dataclass
class BatchLine:
    """One batch at one station, with what its recipe says of the line.

    Parameters
    ----------
    records : the logbook and what waits beside it; place : station, bench and recipe.
    run_one : runs the recipe on the unit of that serial number, as in the batch.
    quarantined_anyway, retest_anyway : run units that are in quarantine, or have had their retests.
    """

    recipe: Recipe
    records: LineRecords
    place: GoldenPlace
    charts: BatchCharts
    desk: LineDesk
    run_one: Callable[[str], Outcome]
    operator: str = ""
    quarantined_anyway: bool = False
    retest_anyway: bool = False
    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    calls: list[BatchCall] = field(default_factory=list)
    golden_faults: list[str] = field(default_factory=list)
    _duty: GoldenDuty | None = None

    def __post_init__(self) -> None:
        if self.recipe.golden is not None:
            self._duty = GoldenDuty(self.recipe.golden, self.place, now=self.now)

    @property
    def floor(self) -> Verdict:
        """The best that a batch can be: inconclusive after a call, an error where golden units did not read right."""
        if self.golden_faults:
            return Verdict.ERROR
        return Verdict.INCONCLUSIVE if self.calls else Verdict.PASS

    def begin(self) -> None:
        """Find the limits of the charts, and say what is known of the batch.

        Raises
        ------
        Misuse : a batch that was to set limits cannot.
        """
        for line in self.charts.begin():
            self.desk.say(line)

    def why_not(self, serial: str) -> str:
        """Why a unit is skipped, as the end of a sentence; empty where it is taken."""
        if self.recipe.golden is not None and serial in self.recipe.golden.units:
            return "is a golden unit, and not one of the batch"
        notes = self.records.journal.notes()
        if not self.quarantined_anyway and (why := quarantine_words(in_quarantine(notes), serial)):
            return f"is in quarantine {why}"
        if self.recipe.retest is not None and not self.retest_anyway:
            runs = counted_runs(self.records, notes, self.recipe, serial, simulated=self.place.simulated)
            if why := self.recipe.retest.rule.refusal([run.verdict for run in runs]):
                return f"is not run again: {why}"
        return ""

    def before_unit(self) -> str:
        """Have the golden units measured that are due; why no further unit begins, empty where one may."""
        attempts: dict[str, int] = {}
        while due := self._due():
            one = due[0]
            attempts[one.serial] = attempts.get(one.serial, 0) + 1
            if attempts[one.serial] > MOST_GOLDEN_ATTEMPTS:
                return self.golden_faults[-1]
            if not self.desk.golden(one):
                self.golden_faults.append(f"golden unit {one.serial} was not put in: {one.why}")
                return self.golden_faults[-1]
            outcome = self.run_one(one.serial)
            self.desk.measured_golden(outcome)
            wrong = unexpected(outcome, one.unit)
            assert self._duty is not None
            self._duty.measured(one.serial, as_expected=not wrong)
            if wrong:
                fault = f"golden unit {one.serial} did not read as expected: {'; '.join(wrong)}"
                self.golden_faults.append(fault)
                self.desk.say(fault)
            else:
                known = "passed" if one.unit.known is KnownAs.GOOD else "failed, as it must"
                self.desk.say(f"golden unit {one.serial}: as expected ({known})")
                self.golden_faults = [text for text in self.golden_faults if one.serial not in text]
        return ""

    def is_due(self, verdicts: list[Verdict], serial: str) -> bool:
        """Whether a unit is run again at once, after asking the operator to put it in again."""
        retest = self.recipe.retest
        if retest is None or not retest.by_itself or not retest.rule.is_due(verdicts):
            return False
        return self.desk.retest(serial, len(verdicts), retest.at_most, verdicts[-1])

    def after_unit(self, outcome: Outcome) -> str:
        """Look at the rules of the batch; why no further unit begins, empty where one may."""
        if self._duty is not None and (other := self._duty.other_instruments(outcome, self.records.journal.notes())):
            why = f"another instrument than before: {other}; {outcome.serial} was run with it"
            self.records.journal.write(*self._duty.renounce(outcome, why))
            self.golden_faults.append(why)
            return why
        new = self.charts.take(outcome)
        self.calls += new
        for call in new:
            self.desk.called(call)
        for call in new:
            if call.then == CallAction.STOP:
                return call.told
            if call.then == CallAction.ASK:
                if not self.desk.may_go_on(call):
                    return call.told
                self.records.journal.write(
                    note_now(
                        NoteKind.ANSWER, station=self.place.station, operator=self.operator,
                        batch=self.charts.batch, entry=call.entry, rule=call.rule, of=call.of, run=call.run,
                        answer="a further unit begins",
                    )
                )  # fmt: skip
        return ""

    def _due(self) -> list[GoldenDue]:
        if self._duty is None:
            return []
        newest = self.records.newest_start(self.place.station, simulated=self.place.simulated)
        return self._duty.due(self.records.journal.notes(), newest)


def line_of(
    recipe: Recipe,
    bench: BenchFile,
    options: RunOptions,
    book: Logbook,
    *,
    desk: LineDesk,
    run_one: Callable[[str], Outcome],
) -> BatchLine:
    """What a recipe says of the line, for a batch with these options."""
    spool = spool_beside(None if options.out is None else Path(options.out))
    records = LineRecords.of(book, spool, identity=book.identity)
    place = place_of_run(recipe, bench, options)
    charts = BatchCharts(
        recipe.stop_when, book, records.journal, recipe=recipe.name, batch=options.batch, station=options.station,
        simulated=bench.is_simulated,
    )  # fmt: skip
    return BatchLine(
        recipe, records, place, charts, desk, run_one, options.operator, options.quarantined_anyway,
        options.retest_anyway,
    )  # fmt: skip
