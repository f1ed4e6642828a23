"""One recipe on three digitizers with languages of their own: the readings agree within what the profiles state."""

from __future__ import annotations

from functools import cache

import pytest

from tests.running.conftest import ROOT
from wavewright.instruments.bench_file import load_bench
from wavewright.recipe.load import parse_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run import run

RECIPE = """
wavewright: 1
title: Three digitizers
measurements:
  rail_level:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, range: 8 V, offset: 2 V, probe: 10x}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: auto, level: 3 V}
    compute: {mean: {limit: 3.3 V ± 5 %}}
  reset_hold:
    place: Probe 1 on TP3, probe 2 on TP9.
    channels: {reset: {input: 2, range: 8 V, offset: 2 V, probe: 10x}}
    timebase: {span: 8 ms, before_trigger: 1 ms, rate: 5 MHz}
    trigger: {mode: normal, edge: falling, level: 1.65 V}
    stimulus:
      - {supply: {output: off}, then_wait: 200 ms}
      - {supply: {voltage: 24 V, current_limit: 1 A, output: on}}
    compute: {time_between: {from: falling 0.99 V, to: rising 2.31 V, limit: 1.6 ms .. 3.2 ms}}
  drive:
    place: Probe 1 on TP4.
    channels: {drive: {input: 1, range: auto, probe: 10x}}
    timebase: {cycles: 10}
    trigger: {mode: auto, level: auto}
    stimulus: [{source: {function: pulse, frequency: 1.25 kHz, duty_factor: 40 %}}]
    compute: {duty_factor: {limit: 40 % ± 1 pp}, amplitude: {limit: 24 V ± 5 %}}
"""
BENCHES = ("bench", "bench_grid", "bench_plain")


@cache
def outcome_on(bench: str) -> Outcome:
    recipe = parse_recipe(RECIPE, "three.yaml")
    return run(recipe, load_bench(ROOT / f"sim/{bench}.yaml"), pause=lambda seconds: None)


@pytest.mark.parametrize("bench", BENCHES)
def test_the_same_recipe_passes_on(bench: str) -> None:
    outcome = outcome_on(bench)
    assert [one.error for one in outcome.measurements] == ["", "", ""]
    assert outcome.verdict == "pass", {name: result.reading.value for name, result in outcome.results.items()}


@pytest.mark.parametrize("bench", BENCHES[1:])
@pytest.mark.parametrize(
    "name, allowed",
    [
        # both profiles state gain within 1.5 % or better and offset within 0.5 % of range + 1 mV, through a 10x probe
        ("rail_level.mean", 2 * (0.015 * 3.3 + 0.005 * 10 + 10e-3)),
        # two samples of 200 ns, twice, and the level error on an edge of 1.2 us
        ("reset_hold.time_between", 4 * 200e-9 + 0.2e-6),
        ("drive.duty_factor", 1e-3),
        ("drive.amplitude", 2 * 0.015 * 24 + 2 * 50 / 256),
    ],
)
def test_its_readings_agree_with_those_of_the_first(bench: str, name: str, allowed: float) -> None:
    first, other = (outcome_on(each)[name].value for each in (BENCHES[0], bench))
    assert first is not None
    assert other == pytest.approx(first, abs=allowed)
