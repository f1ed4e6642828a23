"""Ripple and switching frequency of converters whose ripple is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.power.ripple import fold
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.waveform import Floats, Waveform

RATE = 25e6
TIMES = np.arange(50_000) / RATE  # 2 ms


def triangle(frequency: float, height: float, duty: float = 0.3) -> Floats:
    phase = (TIMES * frequency + 0.123) % 1
    return height * (np.where(phase < duty, phase / duty, (1 - phase) / (1 - duty)) - 0.5)


def wave_of(volts: Floats, start: float = 0.0) -> Waveform:
    return Waveform.from_volts(volts, interval=1 / RATE, start=start, name="rail")


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def test_ripple_of_a_rail_under_noise_and_spikes() -> None:
    rng = np.random.default_rng(340)
    volts = 3.3 + triangle(340.123e3, 24e-3) + 5e-3 * rng.standard_normal(TIMES.size)
    volts[[1234, 33_333]] += 0.2
    wave = wave_of(volts)
    reading = measure(wave, "ripple")
    # math: means over 64 parts of a period flatten each tip of a triangle by up to half a part, 1/64/0.3/2 of it
    assert value(reading) == pytest.approx(24e-3, rel=0.05)
    assert reading.uncertainty is not None
    assert reading.uncertainty < 2e-3
    assert reading.doubts == ()
    assert value(measure(wave, "peak_to_peak")) > 0.2
    assert value(measure(wave, "switching_frequency")) == pytest.approx(340.123e3, abs=5)


def test_mean_period_is_that_of_a_plain_average() -> None:
    # math: 50 samples per period, whole periods: the mean of every 50th sample
    noise = np.random.default_rng(3).standard_normal(50_000)
    cycle = fold(Survey(wave_of(noise)), frequency=RATE / 50)
    assert cycle.period == pytest.approx(50 / RATE)
    assert cycle.means == pytest.approx(noise.reshape(1000, 50).mean(axis=0), abs=1e-12)
    expected = noise.reshape(1000, 50).std(axis=0, ddof=1) / np.sqrt(1000)
    assert cycle.deviations == pytest.approx(expected, rel=1e-9)


def test_frequency_band_keeps_the_hum_out() -> None:
    wave = wave_of(triangle(340e3, 24e-3) + 0.1 * np.sin(2 * np.pi * 5e3 * TIMES))
    assert value(measure(wave, "switching_frequency")) == pytest.approx(5e3, rel=1e-3)
    assert value(measure(wave, "switching_frequency", lowest="100 kHz")) == pytest.approx(340e3, rel=1e-5)
    assert value(measure(wave, "ripple", lowest="100 kHz")) == pytest.approx(24e-3, rel=0.15)
    assert value(measure(wave, "ripple", frequency="340 kHz")) == pytest.approx(24e-3, rel=0.15)


@given(gain=st.floats(1e-3, 1e3), offset=st.floats(-10, 10), start=st.floats(-1, 1))
def test_scales_with_the_gain_alone(gain: float, offset: float, start: float) -> None:
    part = triangle(340e3, 1.0)[:5000]
    plain = value(measure(wave_of(part), "ripple"))
    assert value(measure(wave_of(gain * part + offset, start), "ripple")) == pytest.approx(gain * plain, rel=1e-6)


def test_noise_that_lifts_the_extremes_is_told() -> None:
    noise = np.random.default_rng(2).normal(0, 0.25, 2000)
    volts = np.where(np.arange(2000) % 100 < 50, 0.25, -0.25) + noise
    reading = measure(wave_of(volts), "ripple", frequency=RATE / 100)
    assert reading.uncertainty is not None
    assert value(reading) == pytest.approx(0.5, abs=1.96 * reading.uncertainty)  # 95 % if normal
    assert Doubt.NOISY in reading.doubts


def test_no_ripple_is_told_apart_from_some() -> None:
    noise = wave_of(np.random.default_rng(1).standard_normal(50_000))
    reading = measure(noise, "ripple")
    assert reading.value is None or Doubt.NOISY in reading.doubts
    assert "2 periods of at least 4 samples" in measure(noise, "ripple", frequency="10 MHz").reason
    assert value(measure(wave_of(np.array([0.0, 1, 1, 0] * 2)), "ripple", frequency=RATE / 4)) == pytest.approx(1.0)
    assert "constant" in measure(wave_of(np.full(100, 3.3)), "switching_frequency").reason
