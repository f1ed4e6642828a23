"""One unit after the other: which serial numbers are taken, when the line stops, and what was done."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Protocol

from wavewright.buses.search.patterns import Pattern
from wavewright.errors import StorageFault, WavewrightError
from wavewright.judgement.verdict import Verdict
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
    """

    runs: list[tuple[str, str, Verdict]] = field(default_factory=list)
    refused: list[tuple[str, str]] = field(default_factory=list)
    stopped: str = ""
    fault: WavewrightError | Interrupted | None = None

    @property
    def failures_in_row(self) -> int:
        """How many runs up to the last one did not pass."""
        count = 0
        for _, _, verdict in reversed(self.runs):
            if verdict is Verdict.PASS:
                break
            count += 1
        return count

    @property
    def verdict(self) -> Verdict:
        """The worst of the last run of each unit; inconclusive for no unit at all, error where it was interrupted."""
        if self.fault is not None:
            return Verdict.ERROR
        last = {serial: verdict for _, serial, verdict in self.runs}
        return max(last.values(), key=lambda verdict: verdict.severity, default=Verdict.INCONCLUSIVE)


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

    Returns
    -------
    What was done; its `fault` says what interrupted the batch, if something did. No further unit is powered up then.
    """
    done = BatchDone(
        [(entry.id, entry.serial, Verdict(entry.verdict)) for entry in _of_batch(book, recipe, batch, simulated)]
    )
    try:
        for text in serials:
            if interruption is not None:
                interruption.check()
            serial = text.strip()
            if serial.lower() in END_WORDS:
                break
            if why := _why_not(
                serial, book, recipe, done, pattern=pattern, repeat_passed=repeat_passed, simulated=simulated
            ):
                done.refused.append((serial, why))
                desk.refused(serial, why)
                continue
            _take(run_one(serial), serial, done, desk)
            if interruption is not None:
                interruption.check()
            if stop_after and done.failures_in_row >= stop_after:
                done.stopped = f"{done.failures_in_row} units in a row did not pass"
                break
    except (WavewrightError, Interrupted) as fault:
        if isinstance(fault.outcome, Outcome):
            _take(fault.outcome, fault.outcome.serial, done, desk)
        done.fault, done.stopped = fault, str(fault).splitlines()[0]
    if done.stopped:
        desk.stopped(done.stopped)
    return done


def _take(outcome: Outcome, serial: str, done: BatchDone, desk: BatchDesk) -> None:
    done.runs.append((outcome.id, serial, outcome.verdict))
    desk.judged(outcome, done)


def seed_of(serial: str) -> int:
    """A seed for the simulated bench, so that each serial number is a board of its own, the same one every time."""
    return zlib.crc32(serial.encode())


def _why_not(
    serial: str, book: Logbook, recipe: str, done: BatchDone, *, pattern: str, repeat_passed: bool, simulated: bool
) -> str:
    if why := unstorable_serial(serial, recipe=recipe):
        return why
    if pattern and not Pattern(pattern).fullmatch(serial):
        return f"does not match `{pattern}`"
    if any(serial == known and verdict is Verdict.PASS for _, known, verdict in done.runs) and not repeat_passed:
        return "already passed in this batch"
    if repeat_passed:
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
