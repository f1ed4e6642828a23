"""Recovery and settling among noise: the truth is the closed form of the decay, the scatter that of many draws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.analysis.transitions import last_entry
from wavewright.analysis.transitions.last_entry import SettlingBand, find_last_entries
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


def test_a_dip_of_one_sample_without_noise_has_an_instant() -> None:
    volts = np.full(3000, 0.98)
    volts[1001] = 0.5  # 1 µs after the step at 0; the line to 0.98 V at 2 µs meets 0.99 · 0.98 V here (math):
    recovery = 1e-6 * (1 + (0.99 * 0.98 - 0.5) / (0.98 - 0.5))
    reading = measure(Waveform.from_volts(volts, interval=1e-6, start=-1e-3, name="rail"), "recovery_time")
    assert reading.value == pytest.approx(recovery, rel=1e-9)
    assert reading.uncertainty == pytest.approx(1e-6 / math.sqrt(12))


@given(
    seed=st.integers(0, 2**32 - 1),
    sizes=st.lists(st.integers(0, 90), min_size=1, max_size=12),
    sigma=st.sampled_from([0.0, 0.3, 2.0]),
    block=st.sampled_from([40, 1 << 16]),
    together=st.sampled_from([100, 1 << 18]),
)
def test_stretches_that_are_looked_at_together_enter_as_each_does_alone(
    seed: int, sizes: list[int], sigma: float, block: int, together: int
) -> None:
    rng = np.random.default_rng(seed)
    decays = [100 - 80 * np.exp(-np.arange(size) / rng.uniform(1, 15)) for size in sizes]
    codes = np.append(np.concatenate(decays), 0.0) + sigma * rng.normal(size=sum(sizes) + 1)
    ends = np.cumsum(sizes)
    firsts, leaves = ends - sizes, rng.random(len(sizes)) < 0.5
    band = SettlingBand(97.0, 103.0, sigma)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(last_entry, "BLOCK", block)
        patch.setattr(last_entry, "TOGETHER", together)
        all_at_once = find_last_entries(codes, firsts, ends, band, leaves=leaves)
        for k in range(len(sizes)):
            one = slice(k, k + 1)
            alone = find_last_entries(codes, firsts[one], ends[one], band, leaves=leaves[one])
            for name in ("place", "uncertainty", "end", "is_noisy"):
                assert np.array_equal(getattr(alone, name), getattr(all_at_once, name)[one], equal_nan=True), name
