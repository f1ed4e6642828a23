"""A run whose evidence is kept: what `wavewright run` and `wavewright.run` do."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.formats.catalogue import read_waveform
from wavewright.recipe.load import load_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.running import runner
from wavewright.running.outcome import Outcome
from wavewright.running.shipped import find_file
from wavewright.waveform import Waveform

DEFAULT_BENCH = "sim/bench.yaml"


def run(
    recipe: Recipe | str | Path,
    *,
    bench: BenchFile | str | Path = DEFAULT_BENCH,
    serial: str = "",
    out: str | Path | None = None,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    **how: Any,
) -> Outcome:
    """Run a recipe on a bench, and keep the evidence.

    Parameters
    ----------
    recipe, bench : read already, or names of files; where there is no such file, the shipped one of that name is taken.
    serial : number of the unit under test.
    out : folder that the evidence goes into, in a folder of its own; None keeps captures in memory and writes nothing.
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
    there = bench if isinstance(bench, BenchFile) else load_bench(find_file(bench))
    how = {"read_stored": _read_stored, **how}
    if out is None:
        return runner.run(wanted, there, serial=serial, now=now, **how)
    with Evidence(Path(out), started=now(), recipe=wanted.name, serial=serial) as evidence:
        return evidence.finish(runner.run(wanted, there, keeper=evidence, serial=serial, now=now, **how))


def _read_stored(path: Path, channel: str) -> Waveform:
    return read_waveform(path, channel=channel)
