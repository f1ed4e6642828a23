"""A run whose evidence is kept: what `wavewright run` and `wavewright.run` do."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wavewright.errors import OutputMayBeOn
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.formats.catalogue import read_stored
from wavewright.recipe.load import load_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.running import runner
from wavewright.running.bench_lock import bench_lock
from wavewright.running.interruption import interruptible
from wavewright.running.outcome import Outcome
from wavewright.running.shipped import find_file
from wavewright.running.usual_bench import named_or_usual

if TYPE_CHECKING:
    from wavewright.logbook.book import Logbook

PATIENCE = 600.0  # s


def run(
    recipe: Recipe | str | Path,
    *,
    bench: BenchFile | str | Path | None = None,
    serial: str = "",
    out: str | Path | None = None,
    logbook: str | Path | None = None,
    station: str = "",
    batch: str = "",
    patience: float = PATIENCE,
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
    serial : number of the unit under test.
    out : folder that the evidence goes into, in a folder of its own; None keeps captures in memory and writes nothing.
    logbook : path or URL of a logbook that the outcome is entered into; None enters it into none.
    station : where the bench stands; batch : which batch the unit belongs to; both for the logbook.
    patience : s; how long to wait while another run uses the bench.
    say : tells the operator that the run waits, and for whom.
    how : whatever else `wavewright.running.runner.run` takes: `operator`, `stop_at_first`, `seed`, ….

    Returns
    -------
    The outcome; its captures are read from the evidence when they are asked for.

    Raises
    ------
    FileFault : a file says something that cannot be used.
    BenchFault, StorageFault, OutputMayBeOn, LinkLost, NoAnswer, BadAnswer : as `wavewright.running.runner.run`.
    """
    wanted = recipe if isinstance(recipe, Recipe) else load_recipe(find_file(recipe))
    there = bench if isinstance(bench, BenchFile) else _named_bench(bench, wanted, say)
    how = {"read_stored": read_stored, **how}
    with ExitStack() as open_things:
        # opened before anything is sent: a run whose outcome cannot be kept is not begun
        book = open_things.enter_context(_opened(logbook)) if logbook is not None else None
        open_things.enter_context(bench_lock(addresses(there), what=wanted.name, patience=patience, say=say))
        evidence = None
        if out is not None:
            evidence = open_things.enter_context(Evidence(Path(out), started=now(), recipe=wanted.name, serial=serial))

        def kept(outcome: Outcome) -> Outcome:
            outcome = outcome if evidence is None else evidence.finish(outcome)
            return outcome if book is None else replace(outcome, id=book.enter(outcome, station=station, batch=batch))

        # handlers stay until the evidence is written: a second Ctrl-C would otherwise throw it away
        signals = open_things.enter_context(interruptible(say=say))
        try:
            outcome = runner.run(wanted, there, keeper=evidence, serial=serial, now=now, interruption=signals, **how)
            with signals.shielded():
                return kept(outcome)
        except OutputMayBeOn as danger:
            with signals.shielded():
                if isinstance(danger.outcome, Outcome):
                    danger.outcome = kept(danger.outcome)
            raise


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


def _opened(logbook: str | Path) -> Logbook:
    from wavewright.logbook.book import Logbook

    return Logbook(logbook)
