"""Intervals that hold: the truth of closed forms is within them in about 95 of 100 draws, whatever chance made of each.

Each draw has another phase, noise and rounding to codes; with 60 draws of 95 % fewer than 52 are right once in 200
(math: binomial). What is drawn shares no code with the simulated bench.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
import pytest

from wavewright.analysis.measure import measure
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.waveform import Waveform

DRAWS = 60
FEWEST = 52
Draw = tuple[list[Waveform], float, Mapping[str, object]]
Numbers = np.ndarray[tuple[int], np.dtype[np.float64]]


def captured(rng: np.random.Generator, volts: Numbers, *, interval: float, steps: float = 180.0) -> Waveform:
    """Volts as an input of 8 bits brings them, whose span takes so many codes; with noise of at most two codes."""
    step = float(np.ptp(volts)) / steps
    noise = float(rng.choice([0.0, 0.4, 1.0, 2.0]))
    offset = float(volts.min()) + step * (steps / 2 - rng.uniform(0, 1))
    codes = np.rint((volts - offset) / step + noise * rng.standard_normal(volts.size))
    return Waveform(codes.astype(np.int16), gain=step, offset=offset, interval=interval)


def edges(times: Numbers, starts: Numbers, rise: float) -> Numbers:
    """Lines that change between 0 and 1 at these middles of their edges, beginning at 0."""
    corners = np.column_stack([starts - rise / 2, starts + rise / 2]).ravel()
    levels = np.repeat(np.arange(starts.size) % 2, 2).astype(float)
    levels[1::2] = 1 - levels[1::2]
    return np.interp(times, corners, levels)


def setup(rng: np.random.Generator) -> Draw:
    per_period, count = rng.uniform(20, 150), 24
    before, rise = rng.uniform(0.15, 0.4) * per_period, rng.uniform(0.03, 0.12) * per_period
    times = np.arange(round(count * per_period)) + rng.uniform(0, 1)
    ticks = per_period * (np.arange(count) + 0.5)
    clock = edges(times, np.sort(np.concatenate([ticks, ticks + per_period / 2])), rise)
    waves = [captured(rng, edges(times, ticks - before, rise), interval=1.0), captured(rng, clock, interval=1.0)]
    return waves, before, {}


def peak_to_peak_jitter(rng: np.random.Generator) -> Draw:
    per_period, count = rng.uniform(15, 50), 300
    spread = per_period * 10 ** rng.uniform(-3, -2)
    middles = per_period / 2 * np.arange(1, 2 * count + 1) + rng.normal(0, spread, 2 * count)
    volts = edges(np.arange(round((count - 1) * per_period)) * 1.0, middles, 0.2 * per_period)
    periods = np.diff(middles[::2][middles[::2] < (count - 1) * per_period - 1])
    return [captured(rng, volts, interval=1.0)], float(np.ptp(periods)), {"statistic": "peak_to_peak"}


def middle_state(rng: np.random.Generator) -> Draw:
    levels = np.cumsum(rng.uniform(0.4, 1.0, 4))
    chosen = rng.permutation(np.repeat(np.arange(4), 20))
    volts = np.repeat(levels[chosen], round(rng.uniform(20, 150)))
    return [captured(rng, volts, interval=1.0)], float(levels[1]), {"number": 2}


def compensation(rng: np.random.Generator) -> Draw:
    per_half, error, constant = rng.uniform(300, 1500), rng.uniform(-0.3, 0.3), rng.uniform(0.04, 0.15)
    turns = np.arange(round(7 * per_half)) / per_half + rng.uniform(0, 2)
    since, sign = turns % 1, np.where(turns % 2 < 1, 1.0, -1.0)
    # steady state of the step response 1 + error · exp(−t/τ) to steps of both signs: a geometric series (math)
    volts = sign * (0.5 + error * np.exp(-since / constant) / (1 + math.exp(-1 / constant)))
    return [captured(rng, volts, interval=1e-6)], error, {}


@pytest.mark.parametrize(
    "name, draw",
    [
        ("setup_time", setup),
        ("period_jitter", peak_to_peak_jitter),
        ("state_level", middle_state),
        ("compensation_error", compensation),
    ],
)
def test_the_truth_is_within_the_interval(name: str, draw: Callable[[np.random.Generator], Draw]) -> None:
    right = 0
    for seed in range(DRAWS):
        waves, truth, options = draw(np.random.default_rng([seed, 204]))
        accuracy = Accuracy(gain=0.0, offset=0.0, timebase=0.0, skew=0.0, noise_floor=0.0)
        low, high = measure(waves, name, accuracy=accuracy, **options).budget.interval(0.95)
        right += low <= truth <= high
    assert right >= FEWEST
