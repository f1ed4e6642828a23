"""Three digitizers, three languages, one recipe: the readings agree within the accuracies that the profiles state."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.simulation.conftest import SIM
from wavewright.instruments.bench_file import load_bench
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import load_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run import run

RECIPE = """
wavewright: 1
title: Three digitizers look at one board
measurements:
  reset_hold:
    place: Probe 1 on TP9.
    channels: {reset: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 8 ms, before_trigger: 1 ms, points: 20k}
    trigger: {mode: normal, on: reset, edge: falling, level: 1.65 V, timeout: 5 s}
    stimulus:
      - {supply: {output: off}, then_wait: 200 ms}
      - {supply: {voltage: 24 V, current_limit: 1 A, output: on}}
    compute:
      reset_low: {metric: time_between, of: reset, from: falling 0.99 V, to: rising 2.31 V, limit: 1.6 ms .. 3.2 ms}
      high: {metric: high_level, of: reset, limit: 3.3 V ± 10 %}
  coil_drive:
    place: Probe 1 on TP4.
    channels: {drive: {input: 1, range: 40 V, offset: 12 V}}
    timebase: {span: 16 ms, points: 16k}
    trigger: {mode: auto, on: drive, edge: rising, level: 12 V}
    stimulus: [{source: {function: pulse, frequency: 1.25 kHz, duty_factor: 40 %}}]
    compute:
      duty_factor: {of: drive, limit: 40 % ± 1 pp}
      frequency: {of: drive, limit: 1.25 kHz ± 1 %}
      overshoot: {of: drive, limit: at most 8 %}
      amplitude: {of: drive, limit: 24 V ± 5 %}
"""
# name of the reading, and by how much two digitizers may differ: the sum of what their profiles state, or two codes
ALLOWED = {
    "reset_low": 1.6e-6,  # two sample intervals of the slowest, at each end
    "high": 3.3 * 0.03 + 0.012 * 8 + 0.04,
    "duty_factor": 2e-3,
    "frequency": 0.5,
    "overshoot": 0.02,
    "amplitude": 24 * 0.03 + 0.3,
}


def outcome(tmp_path: Path, bench: str) -> Outcome:
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text(RECIPE, encoding="utf-8")
    return run(load_recipe(recipe), load_bench(SIM / bench), pause=lambda _: None)


def readings(found: Outcome) -> dict[str, float]:
    values = {}
    for measurement in found.measurements:
        assert not measurement.error, measurement.error
        for result in measurement.results:
            assert result.reading.value is not None, result.reading.reason
            values[result.name] = result.reading.value
    return values


@pytest.mark.slow
def test_three_languages_give_the_same_readings(tmp_path: Path) -> None:
    found = {bench: outcome(tmp_path, bench) for bench in ("bench.yaml", "bench_grid.yaml", "bench_plain.yaml")}
    assert {bench: each.verdict for bench, each in found.items()} == dict.fromkeys(found, Verdict.PASS)
    values = {bench: readings(each) for bench, each in found.items()}
    for name, allowed in ALLOWED.items():
        spread = [each[name] for each in values.values()]
        assert max(spread) - min(spread) <= allowed, (name, values)
