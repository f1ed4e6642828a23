"""Several channels, and several shots, on two cores over one: how much sooner the same results are there.

Wall time, since that is what two cores save: both ways take turns, and what counts is the median of the ratios. The
load of the machine is said, since another process on one of the cores takes from two what it does not take from one.
`python -m tests.benchmarks --only cores` prints the table.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from functools import partial
from pathlib import Path

import pytest

from tests.benchmarks.test_analysis_speed import STATED, drive
from wavewright.logbook.code_store import CodeStore
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.measurement import Measurement
from wavewright.running.evaluation import Evaluation, evaluate
from wavewright.running.input_accuracy import accuracy_facts
from wavewright.running.shot import ExaminedShot
from wavewright.running.shot_companions import ShotCompanions
from wavewright.running.shot_findings import PartFinding, shot_companions
from wavewright.waveform import Capture, Waveform

TARGET = 1.8
ROUNDS = 9
METRICS = ("frequency", "duty_factor", "rise_time", "fall_time", "overshoot", "peak_to_peak", "mean", "rms",
           "high_level", "low_level")  # fmt: skip
RECIPE = """
wavewright: 1
title: Ten metrics of two channels
measurements:
  both:
    channels: {{first: {{input: 1, range: 5.12 V}}, second: {{input: 2, range: 5.12 V}}}}
    timebase: {{span: 1 ms, points: {samples}}}
    trigger: {{mode: auto, on: first, edge: rising, level: 1 V}}
    shots: {shots}
    compute:
{entries}
"""


def measurement(*, shots: int, samples: int = 250_000) -> Measurement:
    entries = [f"      {name}_{of}: {{metric: {name}, of: {of}}}" for of in ("first", "second") for name in METRICS]
    return parse_recipe(
        RECIPE.format(shots=shots, samples=samples, entries="\n".join(entries)), "both.yaml"
    ).measurements[0]


def capture(samples: int) -> Capture:
    """Two channels with what a run states of its inputs, so that each reading has a budget."""
    stated = {name: value for head in ("input1", "input2") for name, value in facts(head).items()}
    codes = {"first": drive(samples), "second": drive(samples)[::-1].copy()}
    waves = {
        name: Waveform(one, gain=0.02, offset=1.0, interval=4e-9, name=name, code_range=(-128.0, 127.0))
        for name, one in codes.items()
    }
    return Capture(waves, settings=stated)


def facts(head: str) -> dict[str, float | str | bool]:
    return accuracy_facts(head, STATED, full_scale=5.12)


def seconds(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def ratio(work: Callable[[int], object], *, rounds: int) -> float:
    """How many times as fast work is on two cores: the median of some turns."""
    turns = []
    for _ in range(rounds):
        one, two = (seconds(partial(work, cores)) for cores in (1, 2))
        turns.append(one / two)
    return statistics.median(turns)


def one_shot(samples: int, *, rounds: int) -> float:
    """Of a shot in memory, as in a run: the second process was started when the measurement began.

    What it takes to bring the codes of a channel to that process counts, and the results do. The first shot, for which
    either process loads what it needs, does not.
    """
    wanted, taken = measurement(shots=1, samples=samples), capture(samples)

    def evaluated(companions: ShotCompanions[PartFinding] | None, cores: int) -> None:
        evaluation = Evaluation(wanted, cores=cores, companions=companions if cores > 1 else None)
        evaluation.add(ExaminedShot(taken, wanted))
        evaluation.results()

    with shot_companions(wanted, cores=2) or nullcontext() as started:
        evaluated(started, 2)
        return ratio(partial(evaluated, started), rounds=rounds)


def kept_shots(folder: Path, samples: int, shots: int, *, rounds: int) -> float:
    """Of shots in a store of codes, from the first that is read; to start processes counts."""
    wanted, store = measurement(shots=shots), CodeStore(folder)
    taken = store.shots(*store.add([capture(samples)] * shots))
    return ratio(lambda cores: evaluate(wanted, taken, cores=cores), rounds=rounds)


def table(*, rounds: int = ROUNDS) -> Iterator[tuple[str, float]]:
    yield (
        f"a shot of two channels of 60 M samples, ten metrics of each with budgets, with a process that was "
        f"started before the shot{load()}",
        one_shot(60_000_000, rounds=rounds),
    )
    for shots in (60, 240):
        with tempfile.TemporaryDirectory() as folder:
            yield (
                f"{shots} kept shots of two channels of 1 M samples, the same, read and evaluated in processes, their "
                f"start included{load()}",
                kept_shots(Path(folder), 1_000_000, shots, rounds=rounds if shots < 100 else rounds // 2),
            )


def load() -> str:
    return f" (load {os.getloadavg()[0]:.1f} before)"


@pytest.mark.slow
def test_both_ways_find_the_same(tmp_path: Path) -> None:
    """That the program measures what it says; the figures themselves are read from the table."""
    wanted, taken = measurement(shots=2), [capture(20_000)] * 2
    assert [one.reading.budget is not None for one in evaluate(wanted, taken, cores=1)] == [True] * 20
    assert one_shot(20_000, rounds=1) > 0
    assert kept_shots(tmp_path, 20_000, 2, rounds=1) > 0


if __name__ == "__main__":
    for what, figure in table():
        print(f"{what}: {figure:.2f} times as fast (target {TARGET})")
