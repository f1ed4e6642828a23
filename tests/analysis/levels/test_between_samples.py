"""Peaks between samples: what a waveform of known height does beyond its highest sample is within the uncertainty."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.levels.between_samples import missed_at
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.judgement.judge import judge
from wavewright.judgement.verdict import Verdict
from wavewright.waveform import Waveform

NO_ERROR = Accuracy(gain=0.0, offset=0.0, timebase=0.0, noise_floor=0.0)
PHASES = np.arange(40) / 40
PER_PERIOD = (5.3, 8.7, 13.1, 20.9, 41.7)


def triangle(turns: np.ndarray) -> np.ndarray:
    return 1 - 4 * np.abs(turns - np.rint(turns))


def coded(volts: np.ndarray, *, full_scale: float = 8.0, bits: int = 12) -> Waveform:
    step = full_scale / 2**bits
    return Waveform(np.rint(volts / step).astype(np.int16), gain=step, interval=1e-6)


@pytest.mark.parametrize("shape", [lambda turns: np.cos(2 * np.pi * turns), triangle])
@pytest.mark.parametrize("samples", PER_PERIOD)
def test_the_top_of_one_wave_is_within_the_interval(shape: object, samples: float) -> None:
    # one wave higher than the others: nothing but its few samples says how high it is; both shapes reach 1 (math)
    right = {"maximum": 0, "minimum": 0}
    for phase in PHASES:
        turns = (np.arange(-60, 61) + phase) / samples
        volts = np.where(np.abs(turns) <= 0.75, 1.0, 0.5) * shape(turns)
        for name, sign in (("maximum", 1), ("minimum", -1)):
            low, high = measure(coded(sign * volts), name, accuracy=NO_ERROR).budget.interval(0.95)
            right[name] += low <= sign <= high
    assert min(right.values()) >= 0.95 * PHASES.size


@pytest.mark.parametrize("samples", PER_PERIOD)
def test_the_height_of_a_few_waves_is_within_the_interval(samples: float) -> None:
    right = 0
    for phase in PHASES:
        turns = (np.arange(round(2.6 * samples)) + phase) / samples
        wave = coded(np.cos(2 * np.pi * turns), bits=14)
        low, high = measure(wave, "peak_to_peak", accuracy=NO_ERROR).budget.interval(0.95)
        right += low <= 2.0 <= high
    assert right >= 0.95 * PHASES.size


def test_a_flat_top_beside_an_edge_has_nothing_between_its_samples() -> None:
    for rise in (0.3, 1.0, 2.5):
        codes = np.clip((np.arange(40) - 20.2) / rise, 0, 1) * 200
        assert missed_at(codes, int(codes.argmax()), upward=True) == 0.0


def test_noise_alone_does_not_look_like_peaks() -> None:
    rng = np.random.default_rng(5)
    readings = [measure(coded(rng.normal(0, 0.05, 4000)), "maximum") for _ in range(20)]
    assert not any(reading.doubts for reading in readings)
    assert np.mean([reading.uncertainty for reading in readings]) < 0.03  # V: about half of the noise


def test_a_limit_that_only_the_samples_keep_is_not_passed() -> None:
    # 0.6 V of ringing with 5 samples a period, its first crest midway between two samples: the truth is 1.6 V
    turns = (np.arange(-40, 60) + 0.5) / 5
    volts = np.where(turns < -0.25, 0.0, 1 + 0.6 * np.cos(2 * np.pi * turns) * np.exp(-np.maximum(turns, 0) / 2))
    reading = measure(coded(volts), "maximum")
    assert reading.value < 1.55
    assert Doubt.FEW_SAMPLES in reading.doubts
    judged = judge(reading, "at most 1.55 V")
    assert judged.verdict is Verdict.INCONCLUSIVE
    assert "between two samples" in judged.reason
    assert judge(reading, "at most 2 V").verdict is Verdict.PASS  # out of its reach


@pytest.mark.parametrize("samples", [9.3, 14.9, 23.1])
def test_overshoot_of_few_samples_a_turn_is_within_the_interval(samples: float) -> None:
    # second-order step of damping ζ: overshoot exp(−π·ζ/√(1 − ζ²)) (math)
    damping, right = 0.25, 0
    turn = math.sqrt(1 - damping**2)
    truth = math.exp(-math.pi * damping / turn)
    for phase in PHASES:
        angle = np.maximum((np.arange(-30, 160) + phase) * 2 * np.pi / samples / turn, 0.0)
        volts = 1 - np.exp(-damping * angle) * (np.cos(turn * angle) + damping / turn * np.sin(turn * angle))
        reading = measure(coded(volts), "overshoot", accuracy=NO_ERROR)
        low, high = reading.budget.interval(0.95)
        right += low <= truth <= high
    assert right >= 0.95 * PHASES.size


@pytest.mark.parametrize("samples", [11.3, 18.7, 40.1])
@pytest.mark.parametrize("rising", [0.3, 0.5, 0.8])
def test_ripple_of_a_triangle_is_within_the_interval(samples: float, rising: float) -> None:
    turns = (np.arange(900) + 0.37) / samples % 1
    volts = np.where(turns < rising, turns / rising, (1 - turns) / (1 - rising))
    reading = measure(coded(volts), "ripple", frequency=1e6 / samples, accuracy=NO_ERROR)
    low, high = reading.budget.interval(0.95)
    assert low <= 1.0 <= high


@pytest.mark.parametrize("constant", [4.0, 11.0, 60.0])
def test_a_dip_that_begins_between_two_samples_is_within_the_interval(constant: float) -> None:
    # 5 V less 0.4 V · exp(−t/τ) from a step on that lies anywhere between two samples (math)
    right = 0
    for phase in PHASES:
        places = np.arange(-50, int(20 * constant)) + phase
        volts = np.where(places < 0, 5.0, 5.0 - 0.4 * np.exp(-np.maximum(places, 0) / constant))
        wave = Waveform(np.rint((volts - 5) * 4000).astype(np.int16), gain=1 / 4000, offset=5.0, interval=1.0)
        low, high = measure(wave, "load_step_dip", step=50.0 - phase, accuracy=NO_ERROR).budget.interval(0.95)
        right += low <= 0.4 <= high
    assert right >= 0.95 * PHASES.size
