"""Readings against the closed form of the simulated board, for 40 copies of board and bench.

With WAVEWRIGHT_PROOF=full for 200.

Every seed draws another board within its tolerances and another digitizer within its accuracy. What may lie between
reading and truth is taken from the digitizer's profile, and from the record: no tolerance here is tuned.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from wavewright.instruments.bench_file import BenchFile
from wavewright.recipe.load import parse_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run import run
from wavewright.running.run_options import RunOptions
from wavewright.simulation.bench import build_bench

pytestmark = pytest.mark.slow

RECIPE = """
wavewright: 1
title: What has a closed form
measurements:
  rail_noise:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, coupling: ac, range: 80 mV, probe: 1x, bandwidth_limit: 20 MHz}}
    timebase: {span: 200 us, rate: 25 MHz}
    trigger: {mode: auto, level: 0 V}
    compute: {ac_rms: {}, strongest_tone: {}}
  reset_hold:
    place: Probe 1 on TP3, probe 2 on TP9.
    channels: {reset: {input: 2, range: 8 V, offset: 2 V, probe: 10x}}
    timebase: {span: 8 ms, before_trigger: 1 ms, points: 80k}
    trigger: {mode: normal, edge: falling, level: 1.65 V}
    stimulus:
      - {supply: {output: off}, then_wait: 200 ms}
      - {supply: {voltage: 24 V, current_limit: 1 A, output: on}}
    compute: {time_between: {from: falling 0.99 V, to: rising 2.31 V}}
  drive:
    place: Probe 1 on TP4.
    channels: {drive: {input: 1, range: 40 V, offset: 12 V, probe: 10x}}
    timebase: {span: 4 ms, rate: 5 MHz}
    trigger: {mode: auto, level: 12 V}
    stimulus: [{source: {function: pulse, frequency: 1.25 kHz, duty_factor: 40 %}}]
    compute: {duty_factor: {}, overshoot: {}}
  enable:
    place: Probe 1 on TP7.
    channels: {enable: {input: 1, range: 8 V, offset: 2 V, probe: 10x}}
    timebase: {span: 5 ms, rate: 10 MHz}
    trigger: {mode: auto, level: 1.65 V}
    compute: {frequency: {}, duty_factor: {}}
"""
# The digitizer's profile: `gain: 1.5 %, offset: 0.5 % of range + 1 mV, timebase: 10 ppm`.
GAIN, OFFSET_SHARE, OFFSET_FIXED, TIMEBASE = 0.015, 0.005, 1e-3, 10e-6
CODES = 256
EACH = 25 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 5
EIGHTS_OF_SEEDS = [range(first, first + EACH) for first in range(1, 201, 25)]


def deviations(outcome: Outcome, truth: Mapping[str, Mapping[str, float]]) -> Iterator[tuple[str, float, float, float]]:
    """Each reading with its truth and how far the two may lie apart, from the profile and the record."""
    values = {name: result.reading.value for name, result in outcome.results.items()}
    assert None not in values.values(), outcome
    rail, reset, drive, enable = (truth[node] for node in ("rail", "reset", "drive", "enable"))
    # AC RMS: the gain; the converter's noise of 80 uV and 0.2 codes rms, which adds in squares; and a part of a period
    # at the end of the record, of which 200 us hold 66 or more
    rms, noise = rail["ac_rms"], math.hypot(80e-6, 0.2 * 80e-3 / CODES)
    yield "rail_noise.ac_rms", values["rail_noise.ac_rms"], rms, GAIN * rms + noise**2 / (2 * rms) + rms / (2 * 66)
    # a tone is located to a small part of a bin of 1 / 200 us = 5 kHz: a hundredth, and what the time base is off
    tone = rail["strongest_tone"]
    yield "rail_noise.strongest_tone", values["rail_noise.strongest_tone"], tone, 50.0 + TIMEBASE * tone
    # the hold: one interval of 100 ns at each end, and the time that the edge of the open drain, 10 kohm on 110 pF and
    # the probe's 12 pF, takes for the error in level at 2.31 V of a swing of 3.3 V: tau * error / (3.3 V - 2.31 V)
    level_error = GAIN * 2.31 + 10 * OFFSET_FIXED + OFFSET_SHARE * 8
    edge = 10e3 * 122e-12 * level_error / (3.3 - 2.31)
    hold = reset["time_between"]
    yield "reset_hold.time_between", values["reset_hold.time_between"], hold, 2 * 100e-9 + edge + TIMEBASE * hold
    # duty: an edge is known to one interval of 200 ns in 800 us
    yield "drive.duty_factor", values["drive.duty_factor"], 0.4, 2 * 200e-9 / 800e-6
    # overshoot is a ratio, so gain and offset cancel; a level is known to a code, of 40 V / 256 in a step of 24 V
    yield "drive.overshoot", values["drive.overshoot"], drive["overshoot"], 2 * 40 / CODES / 24
    # frequency over 50 periods: one interval of 100 ns in 5 ms
    frequency = enable["frequency"]
    yield "enable.frequency", values["enable.frequency"], frequency, (100e-9 / 4.9e-3 + TIMEBASE) * frequency
    yield "enable.duty_factor", values["enable.duty_factor"], enable["duty_factor"], 2 * 100e-9 * frequency


@pytest.mark.parametrize("seeds", EIGHTS_OF_SEEDS, ids=lambda seeds: f"{seeds.start}-{seeds.stop - 1}")
def test_every_reading_agrees_with_the_board_within_the_stated_accuracy(seeds: range, bench: BenchFile) -> None:
    recipe = parse_recipe(RECIPE, "truth.yaml")
    beyond = []
    for seed in seeds:
        outcome = run(recipe, bench, RunOptions(seed=seed), pause=lambda seconds: None)
        truth = build_bench(bench.simulation_settings(seed=seed), folder=Path()).board.truth()
        for name, value, true, allowed in deviations(outcome, truth):
            if abs(value - true) > allowed:
                beyond.append(f"seed {seed}: {name} is {value:.9g}, truth {true:.9g}, allowed {allowed:.2g}")
    assert not beyond, "\n".join(beyond)
