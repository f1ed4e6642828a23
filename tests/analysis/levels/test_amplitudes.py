from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.waveform import Waveform

NAMES = ["low_level", "high_level", "amplitude"]


def test_levels_and_amplitude_of_the_example() -> None:
    # math: 40 and 210 are the fullest codes of their halves
    codes = [40] * 400 + list(range(50, 201, 10)) + [225] * 4 + [205] * 6 + [210] * 390
    found = measure(Waveform(np.array(codes, dtype=np.uint8), gain=0.01, offset=-1.0, interval=1.0), NAMES)
    assert [found[name].value for name in NAMES] == pytest.approx([-0.6, 1.1, 1.7])


def test_overshoot_counts_in_peak_to_peak_and_not_in_the_amplitude() -> None:
    codes = np.tile(np.repeat([0, 130, 100, -20, 0], [20, 2, 20, 2, 20]), 5).astype(np.int16)
    wave = Waveform(codes, interval=1.0)
    assert measure(wave, "peak_to_peak").value == 150
    assert measure(wave, "amplitude").value == 100


@pytest.mark.parametrize("seed", range(10))
def test_the_level_is_known_to_a_code_step_and_the_noise(seed: int) -> None:
    # a level between two codes, found from samples with noise: within 3 standard uncertainties (99.7 % if normal)
    random = np.random.default_rng(seed)
    low, high = random.uniform(-90, -60), random.uniform(50, 90)
    square = np.where(np.arange(20_000) % 200 < 90, high, low) + random.normal(0, 1.0, 20_000)
    wave = Waveform(square.round().astype(np.int8), interval=1.0)
    for name, value in (("low_level", low), ("high_level", high)):
        for method in ("mean", "median", "shorth"):
            reading = measure(wave, name, levels=method)
            assert reading.uncertainty == pytest.approx(1 / math.sqrt(12), rel=0.05)
            assert reading.value == pytest.approx(value, abs=3 * reading.uncertainty)


def test_a_sine_has_no_states_and_the_reading_says_so() -> None:
    wave = Waveform.from_volts(np.sin(np.arange(5000) / 50), interval=1.0)
    assert Doubt.NO_STATES in measure(wave, "high_level").doubts
    assert Doubt.NO_STATES not in measure(wave, "frequency").doubts
    assert Doubt.NO_STATES not in measure(wave, "high_level", low_state=-1.0, high_state=1.0).doubts


def test_noise_as_large_as_a_tenth_of_the_amplitude_is_doubted() -> None:
    random = np.random.default_rng(4)
    square = 100.0 * (np.arange(20_000) % 200 < 90)
    quiet, loud = (Waveform.from_volts(square + random.normal(0, s, 20_000), interval=1.0) for s in (3, 14))
    assert Doubt.NOISY not in measure(quiet, "amplitude").doubts
    assert Doubt.NOISY in measure(loud, "amplitude").doubts
