"""A run whose evidence is kept: what `wavewright run` and `wavewright.run` do."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wavewright.buses.search.patterns import read_pattern
from wavewright.errors import Misuse, OutputMayBeOn, WavewrightError
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.formats.catalogue import read_stored
from wavewright.logbook.storable import check_words, shown, unstorable_serial
from wavewright.recipe.load import load_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.running.bench_lock import bench_lock
from wavewright.running.interruption import Interrupted, Interruption, interruptible
from wavewright.running.outcome import Outcome
from wavewright.running.run import run as run_recipe
from wavewright.running.shipped_files import find_file, named_or_usual

if TYPE_CHECKING:
    from wavewright.logbook.delivery import Delivery

PATIENCE = 600.0  # s


def run(
    recipe: Recipe | str | Path,
    *,
    bench: BenchFile | str | Path | None = None,
    serial: str = "",
    serial_pattern: str | None = None,
    out: str | Path | None = None,
    logbook: str | Path | None = None,
    logbook_may_be_away: bool = False,
    station: str = "",
    batch: str = "",
    patience: float = PATIENCE,
    interruption: Interruption | None = None,
    say: Callable[[str], None] = lambda text: None,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    **how: Any,
) -> Outcome:
    """Run a recipe on a bench, and keep the evidence.

    Parameters
    ----------
    recipe, bench : read already, or names of files; where there is no such file, the shipped one of that name is taken.
        Without a bench: `bench.yaml` beside the recipe or in this folder, that of WAVEWRIGHT_BENCH, or else the
        simulated bench; which one it is is said.
    serial : number of the unit under test; serial_pattern : what the whole of it must match, in place of the recipe's.
    out : folder that the evidence goes into, in a folder of its own; None keeps captures in memory and writes nothing.
    logbook : path or URL of a logbook that the outcome is entered into; None enters it into none.
    logbook_may_be_away : begin although it cannot be reached, as in a batch that has begun. In either case an outcome
        that it does not take waits in a spool beside the evidence, and each later run, or `wavewright logbook forward`,
        enters it.
    station : where the bench stands; batch : which batch the unit belongs to; both for the logbook.
    patience : s; how long to wait while another run uses the bench.
    interruption : what signals do, where the caller has taken them over for longer than the run.
    say : tells the operator that the run waits, and for whom.
    how : whatever else `wavewright.running.run.run` takes: `operator`, `stop_at_first`, `seed`, ….

    Returns
    -------
    The outcome; its captures are read from the evidence when they are asked for.

    Raises
    ------
    FileFault : a file says something that cannot be used.
    Misuse : a serial number or a name cannot be stored, or a serial number does not match its pattern.
    BenchFault, StorageFault, OutputMayBeOn, LinkLost, NoAnswer, BadAnswer : as `wavewright.running.run.run`.

    What was measured until an error came is kept, and is the `outcome` of the error.
    """
    wanted = recipe if isinstance(recipe, Recipe) else load_recipe(find_file(recipe))
    there = bench if isinstance(bench, BenchFile) else _named_bench(bench, wanted, say)
    how = {"read_stored": read_stored, **how}
    if why := unstorable_serial(serial, recipe=wanted.name):
        raise Misuse(f"the serial number {shown(serial)} {why}", expected="printable text that UTF-8 can hold")
    pattern = wanted.serial_pattern if serial_pattern is None else serial_pattern
    if serial and pattern and not read_pattern(pattern).fullmatch(serial):
        raise Misuse(
            f"the serial number {shown(serial)} does not match `{pattern}`",
            expected="a serial number as the recipe describes it",
            do="read it off the unit again",
        )
    words = {"operator": str(how.get("operator", "")), "station": station, "batch": batch, "recipe": str(wanted.path)}
    folders = {"folder": "" if out is None else str(out), "logbook": "" if logbook is None else str(logbook)}
    check_words({**words, "bench": str(there.path), **folders})
    with ExitStack() as open_things:
        # opened before anything is sent: a run whose outcome cannot be kept is not begun
        delivery = None
        if logbook is not None:
            delivery = _delivery(logbook, None if out is None else Path(out), may_be_away=logbook_may_be_away, say=say)
            open_things.callback(delivery.close)
        open_things.enter_context(bench_lock(addresses(there), what=wanted.name, patience=patience, say=say))
        evidence = None
        if out is not None:
            codes = None if delivery is None else delivery.codes
            evidence = Evidence(Path(out), started=now(), recipe=wanted.name, serial=serial, codes=codes)
            open_things.enter_context(evidence)
        keeping = _Keeping(evidence, delivery, station=station, batch=batch)
        # handlers stay until the evidence is written: a second Ctrl-C would otherwise throw it away
        signals = interruption or open_things.enter_context(interruptible(say=say))
        try:
            outcome = run_recipe(wanted, there, store=evidence, serial=serial, now=now, interruption=signals, **how)
        except (WavewrightError, Interrupted) as fault:
            with signals.shielded():
                keeping.keep_broken(fault)
            raise
        with signals.shielded():
            return keeping.keep(outcome)


class _Keeping:
    """Where the outcome of a run goes when it has ended."""

    def __init__(self, evidence: Evidence | None, delivery: Delivery | None, *, station: str, batch: str) -> None:
        self._evidence, self._delivery, self._station, self._batch = evidence, delivery, station, batch

    def keep(self, outcome: Outcome) -> Outcome:
        """Finish the evidence, deliver the outcome to the logbook; an error has the outcome as far as it is kept."""
        try:
            if self._evidence is not None:
                outcome = self._evidence.finish(outcome)
            if self._delivery is not None:
                outcome = self._delivery.deliver(
                    outcome, self._collected(outcome), station=self._station, batch=self._batch
                )
        except WavewrightError as fault:
            fault.outcome = outcome
            if self._evidence is not None and (left := self._evidence.left_at):
                fault.do = (
                    f"make room; `wavewright logbook import {left.parent}` then enters what was measured ({left})"
                )
            raise
        return outcome

    def keep_broken(self, fault: WavewrightError | Interrupted) -> None:
        """The same for what a run brought that an error ended; the error has the outcome afterwards, if there is one.

        The first error stays the one that is told.
        """
        is_kept = isinstance(fault, OutputMayBeOn) or (
            self._evidence is not None and self._evidence.is_worth_keeping(fault)
        )
        if not isinstance(fault.outcome, Outcome) or not is_kept:
            fault.outcome = None
            if self._evidence is not None:
                self._evidence.forget()
            return
        try:
            fault.outcome = self.keep(fault.outcome)
        except WavewrightError as second:
            fault.outcome = second.outcome
            fault.add_note(str(second))

    def _collected(self, outcome: Outcome) -> Outcome:
        """The outcome with the captures that the logbook has by now, so that nothing is read again."""
        found = None if self._evidence is None else self._evidence.collected(outcome)
        return outcome if found is None else replace(outcome, captures=found)


def addresses(bench: BenchFile) -> tuple[str, ...]:
    """What a run has for itself while it lasts: the address of each instrument of a bench.

    Instruments that a file simulates are others than those of the same address in another file.
    """
    file, at, _ = bench.grammar.library.partition("@")
    behind = f" of {(bench.folder / file).resolve()}" if file and at else ""
    return tuple(f"{instrument.resource}{behind}" for instrument in bench.instruments.values())


def _named_bench(bench: str | Path | None, recipe: Recipe, say: Callable[[str], None]) -> BenchFile:
    usual = named_or_usual(bench, recipe.path)
    if usual.why:
        say(usual.why)
    return load_bench(usual.path)


def _delivery(logbook: str | Path, out: Path | None, *, may_be_away: bool, say: Callable[[str], None]) -> Delivery:
    from wavewright.logbook.delivery import Delivery

    return Delivery(logbook, out=out, may_be_away=may_be_away, say=say)
