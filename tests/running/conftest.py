from __future__ import annotations

from collections.abc import Callable
from inspect import signature
from pathlib import Path
from typing import Any

import pytest

from tests.example_outcome import example_outcome
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.recipe.load import parse_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run import carry_out, prepare
from wavewright.running.run_options import RunOptions
from wavewright.running.stored_waveforms import ReadStored

ROOT = Path(__file__).parents[2]
POWERED = """
wavewright: 1
title: What the meter says
measurements:
  powered:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, range: 8 V, offset: 2 V, probe: 10x}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: auto, level: 3 V}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}, then_wait: 100 ms}]
"""


@pytest.fixture
def outcome() -> Outcome:
    return example_outcome()


@pytest.fixture(scope="session")
def bench() -> BenchFile:
    """The simulated bench with the healthy board."""
    return load_bench(ROOT / "sim/bench.yaml")


@pytest.fixture(scope="session")
def faulty_bench() -> BenchFile:
    """The simulated bench with the board that has four defects."""
    return load_bench(ROOT / "sim/bench_faulty.yaml")


@pytest.fixture
def run_text(bench: BenchFile) -> Callable[..., Outcome]:
    """Run the text of a recipe on the simulated bench, without pauses."""

    def call(text: str, *, on: BenchFile = bench, read_stored: ReadStored | None = None, **how: Any) -> Outcome:
        """`how` : options of the run, and what `carry_out` takes."""
        own = {name: how.pop(name) for name in tuple(how) if name in signature(carry_out).parameters}
        prepared = prepare(parse_recipe(text, "recipe.yaml"), on, RunOptions(**how), read_stored=read_stored)
        return carry_out(prepared, **{"pause": lambda seconds: None, **own})

    return call
