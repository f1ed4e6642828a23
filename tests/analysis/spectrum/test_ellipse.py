"""The XY figure of two sines."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.ellipse import fit_ellipse
from wavewright.waveform import Waveform

TURNS = 2 * np.pi * 10 * np.arange(5000) / 5000


def wave_of(volts: np.ndarray) -> Waveform:
    return Waveform.from_volts(volts, interval=1e-4)


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


@pytest.mark.parametrize("phase_deg", [0.0, 10.0, 45.0, 90.0, 135.0, 180.0])
def test_equal_amplitudes_draw_an_ellipse_of_the_half_angle(phase_deg: float) -> None:
    # math: x = cos t, y = cos(t − φ) has axes √2·cos(φ/2) and √2·sin(φ/2) at 45 deg
    waves = [wave_of(np.cos(TURNS) + 0.2), wave_of(np.cos(TURNS - math.radians(phase_deg)) - 0.3)]
    half = math.radians(phase_deg / 2)
    axes = sorted([abs(math.cos(half)), abs(math.sin(half))])
    assert value(measure(waves, "axis_ratio")) == pytest.approx(axes[0] / axes[1], abs=1e-9)
    assert value(measure(waves, "ellipse_phase")) == pytest.approx(phase_deg, abs=1e-5)
    ellipse = fit_ellipse(Survey(waves[0]), Survey(waves[1]))
    assert ellipse.centre == pytest.approx((0.2, -0.3), abs=1e-9)
    assert [ellipse.minor, ellipse.major] == pytest.approx([math.sqrt(2) * axis for axis in axes], abs=1e-9)
    if phase_deg in {10.0, 45.0}:
        assert ellipse.tilt == pytest.approx(math.pi / 4, abs=1e-9)
        assert ellipse.is_anticlockwise  # the second channel lags: from right to top


@given(
    major=st.floats(0.1, 100),
    ratio=st.floats(0.01, 0.95),
    tilt=st.floats(-1.5, 1.5),
    sense=st.sampled_from([-1, 1]),
    begin=st.floats(0, 6),
)
def test_finds_the_ellipse_that_was_drawn(major: float, ratio: float, tilt: float, sense: int, begin: float) -> None:
    along, across = major * np.cos(TURNS + begin), sense * ratio * major * np.sin(TURNS + begin)
    x = along * math.cos(tilt) - across * math.sin(tilt)
    y = along * math.sin(tilt) + across * math.cos(tilt)
    ellipse = fit_ellipse(Survey(wave_of(x)), Survey(wave_of(y)))
    assert ellipse.major == pytest.approx(major, rel=1e-6)
    assert ellipse.minor == pytest.approx(ratio * major, rel=1e-6)
    assert math.remainder(ellipse.tilt - tilt, math.pi) == pytest.approx(0.0, abs=1e-5)
    assert ellipse.is_anticlockwise == (sense > 0)


def test_a_figure_that_noise_may_have_opened_is_doubted() -> None:
    waves = [wave_of(np.cos(TURNS)), wave_of(np.cos(TURNS - 0.01))]
    assert Doubt.NOISY in measure(waves, "ellipse_phase").doubts
    assert Doubt.NOISY not in measure([waves[0], wave_of(np.sin(TURNS))], "ellipse_phase").doubts
