"""One unit after the other: which serial numbers are taken, when the line stops, and what was done."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Protocol

from wavewright.buses.search.patterns import Pattern
from wavewright.errors import StorageFault, WavewrightError
from wavewright.judgement.retest_rule import RetestRule
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.batch_charts import BatchCall
from wavewright.logbook.batch_line import BatchLine
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter, RunEntry, entries
from wavewright.logbook.storable import unstorable_serial
from wavewright.running.interruption import Interrupted, Interruption
from wavewright.running.outcome import Outcome

END_WORDS = frozenset({"", "end"})


class BatchDesk(Protocol):
    """Tells the operator how the batch goes."""

    def refused(self, serial: str, why: str) -> None:
        """A serial number was skipped."""

    def judged(self, outcome: Outcome, done: BatchDone) -> None:
        """A unit was run."""

    def stopped(self, why: str) -> None:
        """The batch ends before its serial numbers do."""


@dataclass(slots=True)
class BatchDone:
    """What was done so far.

    Parameters
    ----------
    runs : id, serial number and verdict, in the order of the runs; those before a restart included.
    refused : serial numbers that were skipped, and why.
    stopped : why the batch ended early; empty if it did not.
    fault : what interrupted it; the unit that was on may be among the runs. None where it ended in good order.
    rule : how the verdict of a unit follows from its runs; None where the last one decides.
    floor : what the batch is at best, after a rule has called or a golden unit did not read as expected.
    calls : of the rules of the batch in this session.
    """

    runs: list[tuple[str, str, Verdict]] = field(default_factory=list)
    refused: list[tuple[str, str]] = field(default_factory=list)
    stopped: str = ""
    fault: WavewrightError | Interrupted | None = None
    rule: RetestRule | None = None
    floor: Verdict = Verdict.PASS
    calls: list[BatchCall] = field(default_factory=list)

    @property
    def units(self) -> dict[str, Verdict]:
        """The verdict of each unit, by the rule of the recipe; without one its last run decides."""
        runs: dict[str, list[Verdict]] = {}
        for _, serial, verdict in self.runs:
            runs.setdefault(serial, []).append(verdict)
        return {
            serial: verdicts[-1] if self.rule is None else self.rule.unit_verdict(verdicts)
            for serial, verdicts in runs.items()
        }

    @property
    def failures_in_row(self) -> int:
        """How many runs up to the last one did not pass; with a rule for retests, how many units."""
        count = 0
        verdicts = [verdict for _, _, verdict in self.runs] if self.rule is None else list(self.units.values())
        for verdict in reversed(verdicts):
            if verdict is Verdict.PASS:
                break
            count += 1
        return count

    @property
    def verdict(self) -> Verdict:
        """The worst of all units, and not better than `floor`; error where it was interrupted.

        Inconclusive for no unit at all.
        """
        if self.fault is not None:
            return Verdict.ERROR
        verdicts = [*self.units.values(), self.floor] if self.runs else [Verdict.INCONCLUSIVE, self.floor]
        return max(verdicts, key=lambda verdict: verdict.severity)


def run_batch(
    serials: Iterable[str],
    run_one: Callable[[str], Outcome],
    *,
    book: Logbook,
    recipe: str,
    batch: str,
    pattern: str = "",
    repeat_passed: bool = False,
    stop_after: int = 0,
    simulated: bool = False,
    interruption: Interruption | None = None,
    line: BatchLine | None = None,
    desk: BatchDesk,
) -> BatchDone:
    """Run a recipe on unit after unit, until the serial numbers end.

    An interrupted batch is resumed by calling this again with the same name: units that it has already run are
    skipped, and its runs count for the yield and for failures in a row.

    Parameters
    ----------
    serials : one per unit; an empty one, or `end`, ends the batch.
    run_one : runs the recipe on the unit of that serial number and enters the outcome into the logbook under the batch.
    recipe : its name, to look up what has passed already; batch : name of the batch.
    pattern : what a whole serial number must match; empty takes any.
    repeat_passed : retest units that have passed before.
    stop_after : end the batch after this number of runs in a row that did not pass; 0: never.
    simulated : whether the bench is a simulated one: a unit that passed on a simulated bench has not passed on a real
        one, and vice versa.
    interruption : what signals did: one that came ends the batch, once the unit that is on has been left.
    line : what the recipe says of golden units, retests, quarantine and rules that stop; None where it says nothing.

    Returns
    -------
    What was done; its `fault` says what interrupted the batch, if something did. No further unit is powered up then.
    """
    retest = None if line is None else line.recipe.retest
    done = BatchDone(
        [(entry.id, entry.serial, Verdict(entry.verdict)) for entry in _of_batch(book, recipe, batch, simulated)],
        rule=None if retest is None else retest.rule,
    )
    try:
        if line is not None:
            line.begin()
        for text in serials:
            if interruption is not None:
                interruption.check()
            serial = text.strip()
            if serial.lower() in END_WORDS:
                break
            if why := _why_not(
                serial, book, recipe, done, pattern=pattern, repeat_passed=repeat_passed, simulated=simulated, line=line
            ):
                done.refused.append((serial, why))
                desk.refused(serial, why)
                continue
            if line is not None and (why := line.before_unit()):
                done.stopped = why
                break
            outcome = _run_unit(run_one, serial, done, desk, line=line, interruption=interruption)
            if line is not None and (why := line.after_unit(outcome)):
                done.stopped = why
                break
            if stop_after and done.failures_in_row >= stop_after:
                done.stopped = f"{done.failures_in_row} units in a row did not pass"
                break
    except (WavewrightError, Interrupted) as fault:
        if isinstance(fault.outcome, Outcome):
            if not fault.outcome.golden:
                _take(fault.outcome, fault.outcome.serial, done, desk)
            elif line is not None:
                line.desk.measured_golden(fault.outcome)
        done.fault, done.stopped = fault, str(fault).splitlines()[0]
    if line is not None:
        done.floor, done.calls = line.floor, line.calls
    if done.stopped:
        desk.stopped(done.stopped)
    return done


def _run_unit(
    run_one: Callable[[str], Outcome],
    serial: str,
    done: BatchDone,
    desk: BatchDesk,
    *,
    line: BatchLine | None,
    interruption: Interruption | None,
) -> Outcome:
    """Run a unit, and again as often as the recipe says; returns its first run."""
    first: Outcome | None = None
    while True:
        outcome = run_one(serial)
        first = outcome if first is None else first
        _take(outcome, serial, done, desk)
        if interruption is not None:
            interruption.check()
        verdicts = [verdict for _, known, verdict in done.runs if known == serial]
        if line is None or not line.is_due(verdicts, serial):
            return first


def _take(outcome: Outcome, serial: str, done: BatchDone, desk: BatchDesk) -> None:
    done.runs.append((outcome.id, serial, outcome.verdict))
    desk.judged(outcome, done)


def seed_of(serial: str) -> int:
    """A seed for the simulated bench, so that each serial number is a board of its own, the same one every time."""
    return zlib.crc32(serial.encode())


def _why_not(
    serial: str,
    book: Logbook,
    recipe: str,
    done: BatchDone,
    *,
    pattern: str,
    repeat_passed: bool,
    simulated: bool,
    line: BatchLine | None,
) -> str:
    if why := unstorable_serial(serial, recipe=recipe):
        return why
    if pattern and not Pattern(pattern).fullmatch(serial):
        return f"does not match `{pattern}`"
    if line is not None and (why := line.why_not(serial)):
        return why
    if done.units.get(serial) is Verdict.PASS and not repeat_passed:
        return "already passed in this batch"
    if repeat_passed or (done.rule is not None and serial in done.units):
        return ""
    which = Filter(serial=_exactly(serial), recipe=recipe, verdict="pass", simulated=simulated)
    try:
        passed = entries(book, which, most=1)
    except StorageFault:  # it is away: the batch goes on with what this session knows
        return ""
    return f"already passed on {passed[0].started:%Y-%m-%d %H:%M} UTC (run {passed[0].id})" if passed else ""


def _exactly(serial: str) -> str | None:
    """A filter takes `*` for anything; a serial number that has one cannot be looked up and is run again."""
    return serial if "*" not in serial else "\0"


def _of_batch(book: Logbook, recipe: str, batch: str, simulated: bool) -> list[RunEntry]:
    return entries(book, Filter(recipe=recipe, batch=batch, simulated=simulated))[::-1]
