"""`wavewright run --batch`: the dialogue with the operator, and the summary."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wavewright.errors import FileFault

if TYPE_CHECKING:
    from rich.console import Console

    from wavewright.cli.operator_terminal import OperatorTerminal
    from wavewright.judgement.verdict import Verdict
    from wavewright.logbook.batch_charts import BatchCall
    from wavewright.logbook.batch_run import BatchDone
    from wavewright.logbook.golden_duty import GoldenDue
    from wavewright.reporting.batch import BatchStudy
    from wavewright.running.outcome import Outcome


LARGEST_LIST = 1 << 24  # bytes of serial numbers


@dataclass(frozen=True, slots=True)
class BatchOptions:
    """How a batch is run: its name, what a serial number must match, whether passed units are taken, when to stop."""

    name: str
    pattern: str
    repeat_passed: bool
    stop_after: int


@dataclass
class Pace:
    """How far a batch is whose units are known, and the time that it will still take.

    Parameters
    ----------
    total : how many units there are; 0 where nobody knows.
    clock : gives the time, s.
    """

    total: int = 0
    clock: Callable[[], float] = time.monotonic
    taken: int = 0
    run: int = 0
    spent: float = 0.0
    begun: float = 0.0

    def begin(self) -> str:
        """The next unit begins; which it is, and how long the rest will take once the first has shown it."""
        self.taken += 1
        self.begun = self.clock()
        if not self.total:
            return ""
        left = "" if not self.run else f", {duration_left(self.spent / self.run * (self.total - self.taken + 1))} left"
        return f"unit {self.taken} of {self.total}{left}"

    def end(self) -> None:
        """A unit was run; those that are skipped take no time and are not counted."""
        self.run += 1
        self.spent += self.clock() - self.begun


def duration_left(seconds: float) -> str:
    """A time that is only known roughly: `40 s`, `4 min`, `2 h 10 min`.

    Examples
    --------
    >>> duration_left(38.2), duration_left(260), duration_left(7810)
    ('40 s', '4 min', '2 h 10 min')
    """
    if seconds < 100:
        return f"{10 * max(1, round(seconds / 10))} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60} min"


class BatchConsole:
    """The operator's side of a batch, on stderr.

    Parameters
    ----------
    console : on stderr.
    pace : counts each unit that was run.
    desk : confirms; is_scanned : whether serial numbers are typed or scanned one by one, those of golden units too.
    told : hears of each outcome, once nothing about it changes any more.
    """

    def __init__(
        self,
        console: Console,
        pace: Pace,
        desk: OperatorTerminal,
        *,
        is_scanned: bool,
        told: Callable[[Outcome], None] = lambda outcome: None,
    ) -> None:
        self._console, self._pace, self._desk, self._is_scanned = console, pace, desk, is_scanned
        self._told = told

    def refused(self, serial: str, why: str) -> None:
        """Say why a serial number is skipped."""
        self._console.print(f"{serial}: skipped: {why}", style="yellow", markup=False)

    def judged(self, outcome: Outcome, done: BatchDone) -> None:
        """Show the verdict so that it is seen from afar, and the yield so far."""
        from rich.text import Text

        from wavewright.reporting.big_word import big_word
        from wavewright.reporting.readings_on_screen import STYLES
        from wavewright.running.readings_table import on_which_bench

        if not outcome.retest or outcome.retest_of not in {run for run, _, _ in done.runs}:
            self._pace.end()
        self._told(outcome)
        style = STYLES.get(outcome.verdict, "")
        self._console.print()
        for line in big_word(outcome.verdict, encoding=self._console.encoding):
            self._console.print(Text(f"  {line}", style=style))
        passed = sum(verdict == "pass" for _, _, verdict in done.runs)
        where = on_which_bench(outcome.is_simulated)
        told = f"{outcome.serial}: {outcome.verdict}{_again(outcome)}{where}"
        self._console.print(Text(f"\n{told}; {passed} of {len(done.runs)} runs passed"))
        for name, result in outcome.results.items():
            if result.verdict is not None and result.verdict != "pass":
                self._console.print(Text(f"  {name}: {result.reason or result.verdict}", style=style))

    def stopped(self, why: str) -> None:
        """Say why the batch ends early."""
        self._console.print(f"the batch stops: {why}", style="bold red", markup=False)

    def golden(self, due: GoldenDue) -> bool:
        """Ask for a golden unit: where units are scanned, by its serial number; no at the end of the input."""
        if not self._is_scanned:
            self._desk.confirm(due.told)
            return True
        self._desk.say(due.told)
        while True:
            self._console.print(f"scan {due.serial} (empty to end): ", end="", markup=False)
            text = sys.stdin.readline().strip()
            if not text:
                return False
            if text == due.serial:
                return True
            self._console.print(f"{text} is another unit: put in {due.serial}", style="yellow", markup=False)

    def measured_golden(self, outcome: Outcome) -> None:
        """Tell of it, as of any other outcome; no yield counts it."""
        self._told(outcome)

    def retest(self, serial: str, number: int, at_most: int, verdict: Verdict) -> bool:
        """Ask to put the same unit in again."""
        self._desk.confirm(f"{serial}: {verdict}; retest {number} of at most {at_most}: put the same unit in again")
        return True

    def called(self, call: BatchCall) -> None:
        """Say which rule called, of what, at which units."""
        self._console.print(call.told, style="bold yellow", markup=False)

    def may_go_on(self, call: BatchCall) -> bool:
        """Ask whether a further unit begins; no where nobody is there."""
        if not self._desk.is_attended:
            return False
        self._console.print("go on with the next unit? y/n: ", end="", markup=False)
        return sys.stdin.readline().strip().lower() in ("y", "yes")

    def say(self, text: str) -> None:
        """Show a text."""
        self._desk.say(text)

    def serials(self) -> Iterator[str]:
        """Ask for one serial number after another; a scanner that ends its code with Enter types them as well."""
        while True:
            self._console.print("serial number (empty to end): ", end="", markup=False)
            text = sys.stdin.readline()
            if not text:
                return
            yield text


def _again(outcome: Outcome) -> str:
    """That a run is a retest, or of a unit in quarantine; empty for any other."""
    retest = f" in retest {outcome.retest}" if outcome.retest else ""
    return retest + (", the unit is in quarantine" if outcome.quarantined else "")


def serials_of(path: Path) -> list[str]:
    """The serial numbers in a file, one per line; lines that are empty or begin with `#` are left out.

    Raises
    ------
    FileFault : it cannot be read, or there are none.
    """
    from wavewright.grammar.located_yaml import read_text

    lines = read_text(path, largest=LARGEST_LIST).splitlines()
    found = [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
    if not found:
        raise FileFault("no serial numbers", where=str(path), expected="one per line")
    return found


def summary_lines(study: BatchStudy | None, done: BatchDone) -> Iterator[str]:
    """The end of a batch: yields, what failed most, and the capability of each reading."""
    from wavewright.quantities import show_quantity

    if study is None:
        yield f"{len(done.runs)} runs" if done.runs else "no unit was run"
    else:
        where = ", on a simulated bench" if study.simulated == len(study.runs) else ""
        if 0 < study.simulated < len(study.runs):
            where = f", {study.simulated} of {len(study.runs)} runs on a simulated bench"
        for name, share in (("first-pass yield", study.first_pass), ("final yield (after retests)", study.final)):
            yield f"{name}: {100 * share.value:.1f} % ({share.count} of {share.total} units){where}"
        for row in study.pareto:
            yield f"failed: {row.cause} in {row.count} {'run' if row.count == 1 else 'runs'}"
        for run, names in study.failed_units:
            causes = f" ({', '.join(names)})" if names else ""
            yield f"failed unit: {run.serial or run.id}{causes}, run {run.id}"
        for one in study.readings:
            c = one.capability
            if c is not None:
                cp = "" if c.cp is None else f", Cp {c.cp:.2f}"
                ends = (c.mean, c.standard_deviation)
                mean, s = (show_quantity(value, one.unit, resolution=one.last_digit) for value in ends)
                yield f"{one.name}: mean {mean}, s {s}{cp}, Cpk {c.cpk:.2f}"
    if done.refused:
        yield f"skipped: {len(done.refused)}"
    for call in done.calls:
        yield f"rule {call.told}"
    if done.stopped:
        yield f"stopped: {done.stopped}"


def summary_json(study: BatchStudy | None, done: BatchDone) -> dict[str, Any]:
    """The same as plain numbers and words."""
    plain: dict[str, Any] = {
        "verdict": str(done.verdict),
        "runs": [{"id": run, "serial": serial, "verdict": str(verdict)} for run, serial, verdict in done.runs],
        "refused": [{"serial": serial, "why": why} for serial, why in done.refused],
        "stopped": done.stopped,
        "calls": [{**asdict(call), "serials": list(call.serials)} for call in done.calls],
    }
    if study is not None:
        plain["simulated"] = study.simulated
        for name, share in (("first_pass_yield", study.first_pass), ("final_yield", study.final)):
            plain[name] = {key: getattr(share, key) for key in ("count", "total", "value", "low", "high")}
        plain["failures"] = {row.cause: row.count for row in study.pareto}
        plain["failed_units"] = [
            {"serial": run.serial, "run": run.id, "verdict": run.verdict, "readings": list(names)}
            for run, names in study.failed_units
        ]
        plain["cpk"] = {one.name: one.capability.cpk for one in study.readings if one.capability is not None}
    return plain
