"""Straight lines by least squares."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import scipy
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.fitting.line_fit import fit_line, fit_line_to
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt, Reading
from wavewright.errors import NotMeasurable
from wavewright.waveform import Waveform


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def test_norris() -> None:
    # source: NIST StRD, Norris, as carried by SciPy 1.17.1; certified values from the header of the file
    path = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_linregress" / "Norris.dat"
    rows = [line.split() for line in path.read_text().splitlines()[60:] if len(line.split()) == 2]
    y, x = np.array(rows, dtype=float).T
    line = fit_line(x, y)
    assert line.size == 36
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.slope_uncertainty == pytest.approx(0.429796848199937e-03, rel=1e-11)
    assert line.intercept_uncertainty == pytest.approx(0.232818234301152, rel=1e-11)
    assert line.residual == pytest.approx(0.884796396144373, rel=1e-11)


def test_agrees_with_scipy_on_a_random_record() -> None:
    # source: scipy.stats.linregress
    volts = 0.3 + 5.0 * np.arange(100_000) * 1e-6 + np.random.default_rng(1).standard_normal(100_000)
    wave = Waveform.from_volts(volts, interval=1e-6, start=0.02)
    expected = scipy.stats.linregress(0.02 + np.arange(100_000) * 1e-6, volts)
    line = fit_line_to(wave)
    assert [line.slope, line.intercept] == pytest.approx([expected.slope, expected.intercept], rel=1e-9)
    found = [line.slope_uncertainty, line.intercept_uncertainty]
    assert found == pytest.approx([expected.stderr, expected.intercept_stderr], rel=1e-9)
    reading = measure(wave, "slope")
    assert value(reading) == line.slope
    assert reading.uncertainty == line.slope_uncertainty
    assert Doubt.NOISY in reading.doubts  # 0.5 V of slope under 1 V of noise
    assert value(measure(wave, "line_residual")) == pytest.approx(1.0, rel=0.01)


def test_a_stretch_of_the_record_alone() -> None:
    volts = np.concatenate([np.zeros(100), np.arange(100.0), np.full(100, 99.0)])
    wave = Waveform.from_volts(volts, interval=1e-3, start=-0.1, unit="A")
    reading = measure(wave, "slope", after="0 s", until="99 ms")
    assert value(reading) == pytest.approx(1000.0, rel=1e-12)
    assert reading.unit == "A/s"
    assert value(measure(wave, "slope", after="110 ms")) == pytest.approx(0.0, abs=1e-12)
    assert "0 valid samples" in measure(wave, "slope", after="1 s").reason


def test_quantising_error_of_a_ramp() -> None:
    # math: q/√12, here of a ramp from 0 to 255 in 2 550 000 samples; also GUM F.2.2.1 (from memory, not verified)
    ramp = np.linspace(0, 255, 2_550_000)
    wave = Waveform(np.round(ramp).astype(np.int16), interval=1e-6)
    assert value(measure(wave, "line_residual")) == pytest.approx(1 / math.sqrt(12), abs=1e-6)


@given(slope=st.floats(-1e3, 1e3), offset=st.floats(-1e3, 1e3), start=st.floats(-10, 10), interval=st.floats(1e-6, 1))
def test_finds_the_line_it_was_given(slope: float, offset: float, start: float, interval: float) -> None:
    times = start + np.arange(50) * interval
    line = fit_line_to(Waveform.from_volts(offset + slope * times, interval=interval, start=start))
    scale = abs(offset) + abs(slope) * (abs(start) + 50 * interval) + 1e-300
    assert line.slope * interval == pytest.approx(slope * interval, abs=1e-12 * scale)
    assert line.intercept + line.slope * start == pytest.approx(offset + slope * start, abs=1e-11 * scale)


@pytest.mark.parametrize("scale", [1e-300, 1.0, 1e200])
def test_very_small_and_very_large_values_keep_their_residual(scale: float) -> None:
    wave = Waveform.from_volts(scale * np.array([1.0, -1.0] * 50), interval=1.0)
    # math: 100 samples of ±1 about a line that is nearly flat
    assert value(measure(wave, "line_residual")) == pytest.approx(scale * math.sqrt(100 / 98), rel=1e-3)


def test_one_point_is_no_line() -> None:
    with pytest.raises(NotMeasurable, match="1 points"):
        fit_line(np.array([1.0]), np.array([2.0]))
    with pytest.raises(NotMeasurable, match="two with different x"):
        fit_line(np.array([1.0, 1.0]), np.array([2.0, 3.0]))
