"""Readings under noise: what they are uncertain by is what they scatter by, and noise that makes them is said."""

from __future__ import annotations

import numpy as np
import pytest

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.waveform import Waveform

SIZE = 4000


def steps(sigma: float, seed: int, *, dtype: type = float) -> Waveform:
    """Exponential steps of 1 V, which have neither overshoot nor preshoot, one each 500 samples, τ 8 samples."""
    level, volts = 0.0, np.empty(SIZE)
    for index in range(SIZE):
        target = 1.0 if index // 250 % 2 else 0.0
        level += (target - level) * (1 - np.exp(-1 / 8))
        volts[index] = level
    volts += np.random.default_rng(seed).normal(0, sigma, SIZE)
    if dtype is float:
        return Waveform.from_volts(volts, interval=1e-6, name="gate")
    return Waveform(np.round(volts * 80).astype(dtype), gain=1 / 80, interval=1e-6, name="gate")


def white() -> Waveform:
    return Waveform.from_volts(np.random.default_rng(5).normal(0, 1.0, SIZE), interval=1e-6, name="noise")


@pytest.mark.parametrize("metric", ["overshoot", "preshoot"])
@pytest.mark.parametrize("sigma", [0.005, 0.01])
def test_noise_is_no_overshoot_without_being_said(metric: str, sigma: float) -> None:
    reading = measure(steps(sigma, 1), metric)
    assert reading.value is not None
    assert reading.value < 4 * reading.uncertainty  # the truth is 0 (math: an exponential has neither)
    assert Doubt.NOISY in reading.doubts


def test_an_overshoot_well_above_the_noise_is_not_doubted() -> None:
    assert Doubt.NOISY not in measure(steps(0.0005, 1), "overshoot").doubts


@pytest.mark.parametrize("metric", ["time_above", "time_below"])
@pytest.mark.parametrize("dtype", [float, np.int8])
@pytest.mark.parametrize("sigma", [0.003, 0.01])
def test_time_at_a_level_scatters_by_no_more_than_it_says(metric: str, dtype: type, sigma: float) -> None:
    readings = [measure(steps(sigma, seed, dtype=dtype), metric) for seed in range(30)]
    scatter = np.std([reading.value for reading in readings], ddof=1)
    stated = np.mean([reading.uncertainty for reading in readings])
    assert 0.7 * scatter < stated < 6 * scatter  # of 30 draws: 13 %; and no more than a cautious bound


@pytest.mark.parametrize(
    "metric, options",
    [
        ("time_between", {"from": "rising 50 %", "to": "falling 50 %"}),
        ("time_above", {}),
        ("cycles", {}),
        ("rising_edges", {}),
        ("falling_edges", {}),
        ("pulses", {}),
        ("glitches", {}),
        ("runts", {}),
        ("spur_margin", {"mask": [["1 kHz", "1 uV"], ["400 kHz", "1 uV"]]}),
        ("spurs_over_mask", {"mask": [["1 kHz", "1 uV"], ["400 kHz", "1 uV"]]}),
    ],
)
def test_what_was_counted_among_noise_is_doubted(metric: str, options: dict[str, object]) -> None:
    assert Doubt.NOISY in measure(white(), metric, **options).doubts


@pytest.mark.parametrize("metric", ["cycles", "rising_edges", "glitches", "runts", "pulses", "time_above"])
def test_what_was_counted_on_clean_edges_is_not(metric: str) -> None:
    assert not measure(steps(0.002, 3), metric).doubts


def test_pulses_of_one_sample_are_few_samples_for_their_duty_factor() -> None:
    volts = np.zeros(2000)
    volts[50::100] = 1.0
    assert Doubt.FEW_SAMPLES in measure(Waveform.from_volts(volts, interval=1e-6), "duty_factor").doubts
    inverted = Waveform.from_volts(1 - volts, interval=1e-6)
    assert Doubt.FEW_SAMPLES in measure(inverted, "duty_factor").doubts
    assert Doubt.FEW_SAMPLES not in measure(steps(0.0, 1), "duty_factor").doubts


def test_a_fundamental_beside_the_tone_is_doubted() -> None:
    tone = np.sin(2 * np.pi * 0.01233 * np.arange(SIZE)) + np.random.default_rng(2).normal(0, 1e-3, SIZE)
    wave = Waveform.from_volts(tone, interval=1e-6)
    assert Doubt.NOISY in measure(wave, "snr", fundamental="18 kHz").doubts
    assert not measure(wave, "snr", fundamental="12.33 kHz").doubts


@pytest.mark.parametrize("metric", ["sine_amplitude", "line_residual", "rms", "strongest_tone"])
def test_a_channel_without_a_name_is_called_waveform(metric: str) -> None:
    wave = Waveform.from_volts([1.0, np.nan] if metric != "rms" else [np.nan], interval=1e-6)
    assert "`waveform`" in measure(wave, metric).reason


@pytest.mark.parametrize("metric, place", [("longest_pulse", 300), ("shortest_pulse", 100)])
def test_the_time_of_the_one_pulse_is_told(metric: str, place: int) -> None:
    volts = np.zeros(1000)
    for begin, width in ((100, 20), (200, 30), (300, 60), (500, 40)):
        volts[begin : begin + width] = 1.0
    reading = measure(Waveform.from_volts(volts, interval=1e-6, start=-1e-3), metric)
    assert reading.at == pytest.approx(-1e-3 + (place - 0.5) * 1e-6)
    assert reading.as_json()["at"] == reading.at


@pytest.mark.parametrize("metric, shortest", [("setup_time", 2), ("hold_time", 3)])
def test_the_time_of_the_shortest_setup_and_hold_is_told(metric: str, shortest: int) -> None:
    ticks = [100, 200, 300, 400, 500]
    clock, data = np.zeros(600), np.zeros(600)
    for tick in ticks:
        clock[tick : tick + 20] = 1.0
    for number, tick in enumerate(ticks):
        data[tick - (10 if number == 2 else 30) : tick + (9 if number == 3 else 30)] = 1.0
    waves = [Waveform.from_volts(volts, interval=1e-6, start=5.0) for volts in (data, clock)]
    assert measure(waves, metric).at == pytest.approx(5.0 + (ticks[shortest] - 0.5) * 1e-6, abs=1e-9)


def test_the_shortest_half_does_not_depend_on_how_many_floats_there_are() -> None:
    random = np.random.default_rng(9)
    volts = np.repeat(random.integers(0, 2, 800), 100) * 2.0 + random.normal(0, 0.01, 80_000)
    gain = 1e-4
    codes = np.round(volts / gain).astype(np.int16)
    whole = measure(Waveform(codes, gain=gain, interval=1e-6), "high_level", levels="shorth").value
    floats = measure(Waveform.from_volts(gain * codes, interval=1e-6), "high_level", levels="shorth").value
    assert floats == pytest.approx(whole, abs=2e-5)


@pytest.mark.parametrize(
    "metric", ["correlation", "phase", "gain", "delay", "skew", "setup_time", "hold_time", "time_between"]
)
def test_records_that_share_no_time_are_refused(metric: str) -> None:
    turn = 2 * np.pi * 0.01 * np.arange(3000)
    one = Waveform.from_volts(np.sin(turn), interval=1e-6, name="one")
    other = Waveform.from_volts(np.sin(turn - 1), interval=1e-6, start=1.0, name="other")
    options = {"from": "rising 50 %", "to": "rising 50 %"} if metric == "time_between" else {}
    reading = measure([one, other], metric, **options)
    assert reading.value is None
    assert "in common" in reading.reason or "share 0 samples" in reading.reason
