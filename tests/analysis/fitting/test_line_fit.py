"""Straight lines by least squares."""

from __future__ import annotations

import math
from pathlib import Path

import GTC
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


# JCGM 100:2008, table H.6 (seen in the documentation of a reference library): a thermometer's corrections b at t, °C
THERMOMETER = np.array(
    [
        (21.521, -0.171), (22.012, -0.169), (22.512, -0.166), (23.003, -0.159), (23.507, -0.164), (23.999, -0.165),
        (24.513, -0.156), (25.002, -0.157), (25.503, -0.159), (26.010, -0.161), (26.511, -0.160),
    ]
)  # fmt: skip


def test_calibration_line_of_a_thermometer() -> None:
    # source: JCGM 100:2008, H.3.3 and H.3.4; the digits after the printed ones recomputed with 40 digits
    line = fit_line(THERMOMETER[:, 0] - 20.0, THERMOMETER[:, 1])
    assert [f"{line.intercept:.4f}", f"{line.intercept_uncertainty:.4f}"] == ["-0.1712", "0.0029"]
    assert [f"{line.slope:.5f}", f"{line.slope_uncertainty:.5f}"] == ["0.00218", "0.00067"]
    assert [f"{line.correlation:.3f}", f"{line.residual:.4f}"] == ["-0.930", "0.0035"]
    assert line.degrees_of_freedom == 9
    assert [line.intercept, line.slope] == pytest.approx([-0.17120379, 0.00218270], abs=5e-9)
    correction, uncertainty = line.at(30.0 - 20.0)
    assert [f"{correction:.4f}", f"{uncertainty:.4f}"] == ["-0.1494", "0.0041"]
    assert [correction, uncertainty] == pytest.approx([-0.14937681, 0.00413860], abs=5e-9)


def test_residuals_of_the_calibration_line_of_a_thermometer() -> None:
    # source: math, JCGM 100:2008, table H.6: recomputed, in units of 1e-5 °C
    line = fit_line(THERMOMETER[:, 0] - 20.0, THERMOMETER[:, 1])
    left = [1e5 * (correction - line.at(t - 20.0)[0]) for t, correction in THERMOMETER]
    assert np.round(left).tolist() == [-312, -219, -28, 565, -45, -252, 535, 329, 19, -291, -301]


def test_a_line_about_the_mean_has_uncorrelated_parameters() -> None:
    # source: JCGM 100:2008, H.3.5: with the mean temperature 24.0085 °C as reference the correlation vanishes
    line = fit_line(THERMOMETER[:, 0] - THERMOMETER[:, 0].mean(), THERMOMETER[:, 1])
    assert abs(line.covariance) < 1e-20
    assert [line.intercept, line.intercept_uncertainty] == pytest.approx([-0.16245455, 0.00105456], abs=5e-9)


def test_covariance_of_the_norris_line() -> None:
    # source: NIST StRD, Norris; the covariance recomputed from decimal fractions
    path = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_linregress" / "Norris.dat"
    rows = [line.split() for line in path.read_text().splitlines()[60:] if len(line.split()) == 2]
    y, x = np.array(rows, dtype=float).T
    assert fit_line(x, y).covariance == pytest.approx(-7.743275363156436e-5, rel=1e-11)


def test_the_line_of_a_waveform_knows_how_sure_it_is_of_its_values() -> None:
    # source: GTC, whose straight-line fit of the same points gives intercept and slope as correlated numbers
    volts = 0.3 + 5.0 * np.arange(40) * 1e-3 + np.random.default_rng(2).standard_normal(40)
    wave = Waveform.from_volts(volts, interval=1e-3, start=0.02)
    fit = GTC.type_a.line_fit(0.02 + np.arange(40) * 1e-3, volts)
    intercept, slope = fit.a_b
    expected = intercept + slope * 0.1
    assert fit_line_to(wave).at(0.1) == pytest.approx((expected.x, expected.u), rel=1e-9)
    assert fit_line_to(wave).correlation == pytest.approx(GTC.get_correlation(intercept, slope), rel=1e-9)


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
