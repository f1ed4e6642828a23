"""Whether a unit may be run: golden or not, in quarantine, retests left; and what is noted of it afterwards."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from wavewright.errors import Misuse, StorageFault
from wavewright.instruments.bench_file import BenchFile
from wavewright.judgement.retest_rule import RetestRule
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.book import Logbook
from wavewright.logbook.golden_duty import GoldenPlace, golden_note, last_as_expected
from wavewright.logbook.line_notes import LineJournal, LineNote, NoteKind, id_from, note_now
from wavewright.logbook.quarantine import in_quarantine, quarantine_words, set_apart
from wavewright.logbook.queries import Filter, entries
from wavewright.logbook.tables import GOLDEN_BATCH
from wavewright.logbook.unit_runs import UnitRun, runs_of
from wavewright.recipe.golden_units import GoldenUnit
from wavewright.recipe.recipe import Recipe
from wavewright.recipe.retesting import QuarantineCause
from wavewright.running.outcome import Outcome
from wavewright.running.run_options import RunOptions

NO_RETESTS = RetestRule(0, ())


@dataclass(frozen=True, slots=True)
class LineRecords:
    """What a station knows of its line: the logbook, what waits beside it, and the notes of both.

    Parameters
    ----------
    identity : of the logbook's address.
    """

    spool: Path
    identity: str
    journal: LineJournal

    @classmethod
    def of(cls, book: Logbook | None, spool: Path, *, identity: str) -> LineRecords:
        """Those of a logbook and the spool beside the evidence."""
        return cls(spool, identity, LineJournal(book, spool, identity=identity))

    def runs(self, recipe: str, *, simulated: bool, **which: Any) -> list[UnitRun]:
        """As `runs_of`."""

        def found(book: Logbook | None) -> list[UnitRun]:
            return runs_of(book, self.spool, identity=self.identity, recipe=recipe, simulated=simulated, **which)

        try:
            return found(self.journal.book)
        except StorageFault:
            self.journal.is_away()
            return found(None)

    def newest_start(self, station: str, *, simulated: bool) -> datetime | None:
        """When the newest run of a station began; None where none is known."""
        if (book := self.journal.book) is None:
            return None
        try:
            found = entries(book, Filter(station=station, simulated=simulated), most=1)
        except StorageFault:
            self.journal.is_away()
            return None
        return found[0].started if found else None


@dataclass(frozen=True, slots=True)
class UnitAdmission:
    """A unit that may be run.

    Parameters
    ----------
    batch : that the run is entered under.
    marks : of the outcome: which run it is a retest of, that its unit is in quarantine, that it is a golden unit.
    earlier : the runs of the unit that count for its retests.
    """

    records: LineRecords | None
    recipe: Recipe
    place: GoldenPlace
    batch: str
    operator: str
    marks: Mapping[str, Any] = field(default_factory=dict)
    golden: GoldenUnit | None = None
    earlier: tuple[UnitRun, ...] = ()
    is_ordered: bool = False

    def notes(self, outcome: Outcome) -> list[LineNote]:
        """What follows from a run that has its id: how a golden unit read, who ordered a retest, quarantine."""
        if self.records is None or not outcome.serial:
            return []
        return self._golden_notes(outcome) if self.golden is not None else self._unit_notes(outcome)

    def _golden_notes(self, outcome: Outcome) -> list[LineNote]:
        assert self.golden is not None
        assert self.records is not None
        note = golden_note(outcome, self.golden, self.place)
        if note.says["as_expected"] or QuarantineCause.GOLDEN_UNIT not in self.recipe.quarantine:
            return [note]
        known = self.records.journal.notes()
        last = last_as_expected(
            known, outcome.serial, station=self.place.station, recipe=self.recipe.name, simulated=outcome.is_simulated
        )
        if last is None:
            return [note]
        since = datetime.fromisoformat(last.says["started"])
        runs = self.records.runs(
            self.recipe.name, simulated=outcome.is_simulated, station=self.place.station, since=since
        )
        apart = in_quarantine(known)
        serials = list(dict.fromkeys(run.serial for run in runs if run.serial and run.serial not in apart))
        if not serials:
            return [note]
        reason = (
            f"golden unit {outcome.serial} did not read as expected, after it last did at {since:%Y-%m-%d %H:%M} UTC"
        )
        return [
            note,
            set_apart(serials, reason=reason, station=self.place.station, run=outcome.id, recipe=self.recipe.name),
        ]

    def _unit_notes(self, outcome: Outcome) -> list[LineNote]:
        notes = []
        if self.is_ordered:
            notes.append(
                note_now(
                    NoteKind.RETEST, station=self.place.station, operator=self.operator, serial=outcome.serial,
                    run=outcome.id, earlier=[run.id for run in self.earlier], recipe=self.recipe.name,
                )
            )  # fmt: skip
        rule = retest_rule(self.recipe)
        verdicts = [*(run.verdict for run in self.earlier), outcome.verdict]
        is_settled = not rule.is_due(verdicts)
        if (
            QuarantineCause.NOT_PASSED in self.recipe.quarantine
            and is_settled
            and rule.unit_verdict(verdicts) is not Verdict.PASS
            and not outcome.quarantined
        ):
            after = f" after {len(verdicts) - 1} retests" if len(verdicts) > 1 else ""
            notes.append(
                set_apart(
                    [outcome.serial], reason=f"{rule.unit_verdict(verdicts)}{after}", station=self.place.station,
                    id=id_from("not passed", outcome.id), run=outcome.id, recipe=self.recipe.name,
                )
            )  # fmt: skip
        return notes


def said_of(notes: Iterable[LineNote]) -> Iterator[str]:
    """What the operator is told of notes that were made."""
    for note in notes:
        if note.kind is NoteKind.QUARANTINE:
            serials = note.says["serials"]
            which = serials[0] if len(serials) == 1 else f"{len(serials)} units"
            yield f"{which}: in quarantine: {note.says['reason']}"


def retest_rule(recipe: Recipe) -> RetestRule:
    """The rule of a recipe; of one that has none, as often as one likes, and the last run decides."""
    return NO_RETESTS if recipe.retest is None else recipe.retest.rule


def admit(recipe: Recipe, options: RunOptions, bench: BenchFile, records: LineRecords | None) -> UnitAdmission:
    """See whether a unit may be run now.

    Parameters
    ----------
    records : None where the run is entered into no logbook: then nothing is known of the unit, and nothing is noted.

    Raises
    ------
    Misuse : it is in quarantine, or has had its retests, and nobody ordered to run it all the same.
    """
    place = place_of_run(recipe, bench, options)
    bare = UnitAdmission(records, recipe, place, options.batch, options.operator)
    serial = options.serial
    golden = recipe.golden.units.get(serial) if recipe.golden is not None else None
    if golden is not None:
        marks = {"golden": str(golden.known)}
        return UnitAdmission(records, recipe, place, GOLDEN_BATCH, options.operator, marks, golden)
    if options.batch == GOLDEN_BATCH:
        raise Misuse(f"a batch called `{GOLDEN_BATCH}`", expected="another name: that is the batch of golden units")
    if records is None or not serial:
        return bare
    notes = records.journal.notes()
    why = quarantine_words(in_quarantine(notes), serial)
    if why:
        _ordered(
            options.quarantined_anyway, options.operator, f"{serial} is in quarantine {why}", "--quarantined-anyway",
            "`wavewright logbook release` takes it out",
        )  # fmt: skip
    earlier = counted_runs(records, notes, recipe, serial, simulated=bench.is_simulated)
    refusal = "" if recipe.retest is None else recipe.retest.rule.refusal([run.verdict for run in earlier])
    if refusal:
        _ordered(
            options.retest_anyway, options.operator, f"{serial} is not run again: {refusal}", "--retest-anyway",
            "a release from quarantine lets it be tested anew",
        )  # fmt: skip
    first = next((place for place, run in enumerate(earlier) if run.verdict is not Verdict.PASS), None)
    marks = {"quarantined": why} if why else {}
    retest = {} if first is None else {"retest": len(earlier) - first, "retest_of": earlier[first].id}
    return UnitAdmission(
        records,
        recipe,
        place,
        options.batch,
        options.operator,
        {**marks, **retest},
        None,
        tuple(earlier),
        bool(refusal),
    )


def place_of_run(recipe: Recipe, bench: BenchFile, options: RunOptions) -> GoldenPlace:
    """Where a golden measurement holds: corrections belong to it, and which of several instruments takes a role."""
    digests = [bench.digest] if bench.corrections is None else [bench.digest, bench.corrections.digest]
    chosen = [f"{role}={name}" for role, name in sorted((options.instruments or {}).items())]
    whole = hashlib.sha256("\n".join([*digests, *chosen]).encode()).hexdigest()
    return GoldenPlace.of(recipe, bench_sha256=whole, station=options.station, simulated=bench.is_simulated)


def counted_runs(
    records: LineRecords, notes: Sequence[LineNote], recipe: Recipe, serial: str, *, simulated: bool
) -> list[UnitRun]:
    """The runs of a unit that count for its retests: those since it was last released from a quarantine."""
    releases = [note.at for note in notes if note.kind is NoteKind.RELEASE and serial in note.says["lifts"]]
    return records.runs(recipe.name, simulated=simulated, serial=serial, since=max(releases, default=None))


def _ordered(is_ordered: bool, operator: str, what: str, option: str, other: str) -> None:
    """Refuse what nobody ordered, or nobody by name."""
    if not is_ordered:
        raise Misuse(what, do=f"{other}; {option} with --operator NAME runs it all the same, and is recorded")
    if not operator.strip():
        raise Misuse(f"{option} without a name", expected="--operator NAME: who answers for it")
