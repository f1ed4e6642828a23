"""Power spectral densities against SciPy's Welch estimate and noise of known density."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.power_density import power_density
from wavewright.analysis.spectrum.windows import WindowName
from wavewright.waveform import Waveform

NOISE = np.random.default_rng(7).normal(2.0, 0.5, 20_000)


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


@pytest.mark.parametrize("window, name", [("hann", "hann"), ("rectangular", "boxcar"), ("flat_top", "flattop")])
@pytest.mark.parametrize("segment", [250, 1024])
def test_agrees_with_scipy_on_a_random_record(window: WindowName, name: str, segment: int) -> None:
    survey = Survey(Waveform.from_volts(NOISE, interval=1e-3))
    density = power_density(survey, resolution=1e3 / segment, window=window)
    # source: scipy.signal.welch, segments overlapping by half, each without its mean
    frequencies, expected = scipy.signal.welch(NOISE, fs=1e3, window=name, nperseg=segment, detrend="constant")
    assert density.frequencies() == pytest.approx(frequencies)
    assert density.values == pytest.approx(expected, rel=1e-9, abs=1e-15)


def test_codes_give_the_density_of_their_values() -> None:
    codes = np.random.default_rng(8).integers(-100, 100, 5000).astype(np.int8)
    wave = Waveform(codes, gain=-0.01, offset=1.0, interval=1e-6)
    exact = power_density(Survey(Waveform.from_volts(wave.values(), interval=1e-6)))
    assert power_density(Survey(wave)).values[1:] == pytest.approx(exact.values[1:], rel=1e-4)


@pytest.mark.parametrize("average", ["mean", "median"])
def test_white_noise_has_its_variance_over_half_the_rate(average: str) -> None:
    # math: density σ²/(f_s/2); 0.5 V rms at 1 kS/s is 22.36 mV/√Hz
    reading = measure(Waveform.from_volts(NOISE, interval=1e-3, unit="A"), "noise_density", average=average)
    assert value(reading) == pytest.approx(0.5 / math.sqrt(500), rel=0.02)
    assert reading.unit == "A/√Hz"


@pytest.mark.parametrize("average", ["mean", "median"])
def test_uncertainty_is_the_scatter_of_repeated_readings(average: str) -> None:
    rng = np.random.default_rng(9)
    records = [Waveform.from_volts(rng.standard_normal(2000), interval=1e-3) for _ in range(200)]
    readings = [measure(record, "noise_density", average=average, lowest=50.0, highest=450.0) for record in records]
    scatter = np.std([value(reading) for reading in readings])
    # 200 runs tell a scatter to 5 %; segments and lines that overlap share more than the formula knows
    assert np.mean([reading.uncertainty for reading in readings]) == pytest.approx(scatter, rel=0.25)
    assert np.mean([value(reading) for reading in readings]) == pytest.approx(1 / math.sqrt(500), rel=0.01)


def test_a_tone_moves_the_mean_and_not_the_median() -> None:
    tone = 5 * np.sin(2 * np.pi * 123.4 * np.arange(NOISE.size) * 1e-3)
    wave = Waveform.from_volts(NOISE + tone, interval=1e-3)
    assert value(measure(wave, "noise_density")) == pytest.approx(0.5 / math.sqrt(500), rel=0.02)
    assert value(measure(wave, "noise_density", average="mean")) > 2 * 0.5 / math.sqrt(500)


def test_a_resolution_that_the_record_does_not_bear_is_refused() -> None:
    wave = Waveform.from_volts(NOISE, interval=1e-3)
    fine = measure(wave, "noise_density", resolution="10 mHz")
    assert "segments of 100000 samples" in fine.reason
    assert "0.05 Hz to 62.5 Hz" in fine.reason
    assert "no line" in measure(wave, "noise_density", lowest="600 Hz", highest="700 Hz").reason


@given(gain=st.floats(1e-3, 1e3), offset=st.floats(-10, 10), interval=st.floats(1e-6, 1.0))
def test_scales_with_the_gain_and_the_root_of_the_interval(gain: float, offset: float, interval: float) -> None:
    plain = value(measure(Waveform.from_volts(NOISE[:500], interval=1.0), "noise_density"))
    moved = value(measure(Waveform.from_volts(gain * NOISE[:500] + offset, interval=interval), "noise_density"))
    assert moved == pytest.approx(gain * plain * math.sqrt(interval), rel=1e-6)
