"""Recovery and settling among noise: the truth is the closed form of the decay, the scatter that of many draws."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.waveform import Waveform

TAU = 150e-6
BAND = 0.01 * 0.98  # V: 1 % of the final value
RECOVERY = TAU * math.log(0.4 / BAND)  # 0.98 − 0.4·exp(−t/τ) is within the band from then on (math)
SETTLING = 40.0 * math.log(0.5 / 0.02)  # from the middle of a step with τ = 40 samples to 2 % (math)


def rail(sigma: float, seed: int) -> Waveform:
    times = np.arange(-2000, 18_000) * 1e-6
    volts = np.where(times < 0, 0.98, 0.98 - 0.4 * np.exp(-np.maximum(times, 0) / TAU))
    volts += np.random.default_rng(seed).normal(0, sigma, times.size)
    return Waveform.from_volts(volts, interval=1e-6, start=-2e-3, name="rail")


def step(sigma: float, seed: int, *, repeats: int = 1) -> Waveform:
    times = np.arange(12_000) - 3000.3
    one = np.where(times < 0, 0.0, 1 - np.exp(-np.maximum(times, 0) / 40))
    volts = np.concatenate([one, 1 - one] * (repeats - 1) + [one]) if repeats > 1 else one
    return Waveform.from_volts(volts + np.random.default_rng(seed).normal(0, sigma, volts.size), interval=1.0)


@pytest.mark.parametrize("sigma", [0.0, 0.1e-3, 1e-3, 2e-3, 3e-3])
def test_recovery_among_noise_is_right_within_what_it_says(sigma: float) -> None:
    readings = [measure(rail(sigma, seed), "recovery_time") for seed in range(12 if sigma else 1)]
    off = [(reading.value - RECOVERY) / reading.uncertainty for reading in readings]
    assert max(map(abs, off)) < 4
    assert math.sqrt(np.mean(np.square(off))) < 1.8  # a wide margin over 1: twelve draws
    assert not any(reading.doubts for reading in readings)
    assert all(reading.uncertainty < 0.03 * RECOVERY for reading in readings)


@pytest.mark.parametrize("sigma", [0.0, 0.002, 0.004, 0.006])
def test_settling_among_noise_is_right_within_what_it_says(sigma: float) -> None:
    readings = [measure(step(sigma, seed), "settling_time") for seed in range(12 if sigma else 1)]
    off = [(reading.value - SETTLING) / max(reading.uncertainty, 0.1) for reading in readings]
    assert max(map(abs, off)) < 4
    assert math.sqrt(np.mean(np.square(off))) < 1.8
    assert not any(reading.doubts for reading in readings)
    assert all(reading.uncertainty < 0.08 * SETTLING for reading in readings)


def test_settling_of_many_transitions_is_that_of_each() -> None:
    reading = measure(step(0.004, 5, repeats=6), "settling_time")
    assert reading.count == 6
    assert reading.value == pytest.approx(SETTLING, abs=4 * reading.uncertainty)
    assert reading.uncertainty < 4.0


@pytest.mark.parametrize("sigma, metric, make", [(6e-3, "recovery_time", rail), (0.03, "settling_time", step)])
def test_noise_that_may_decide_is_said(sigma: float, metric: str, make: object) -> None:
    readings = [measure(make(4 * sigma if metric == "recovery_time" else sigma, seed), metric) for seed in range(4)]
    assert all(reading.value is None or Doubt.NOISY in reading.doubts for reading in readings)


def test_ringing_is_not_averaged_away() -> None:
    # 10 % of ringing with a period of 25 samples that dies with τ = 400 samples, and noise of a tenth of the band
    times = np.arange(12_000) - 3000.0
    ringing = 0.1 * np.exp(-np.maximum(times, 0) / 400) * np.cos(2 * np.pi * times / 25)
    ideal = np.where(times < 0, 0.0, 1 - np.exp(-np.maximum(times, 0) / 3)) + np.where(times < 0, 0.0, ringing)
    clean = measure(Waveform.from_volts(ideal, interval=1.0), "settling_time")
    for seed in range(4):
        noise = np.random.default_rng(seed).normal(0, 0.002, ideal.size)
        noisy = measure(Waveform.from_volts(ideal + noise, interval=1.0), "settling_time")
        assert noisy.value == pytest.approx(clean.value, abs=50)  # two turns of the ringing more or less


def test_a_rail_that_never_leaves_the_band_recovers_at_once() -> None:
    times = np.arange(-2000, 18_000)
    volts = 0.98 + np.random.default_rng(3).normal(0, 0.5e-3, times.size)
    assert measure(Waveform.from_volts(volts, interval=1e-6, start=-2e-3), "recovery_time").value == 0.0
