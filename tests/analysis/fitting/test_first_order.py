"""First-order circuits against closed forms."""

from __future__ import annotations

import pytest

from wavewright.analysis.fitting.first_order import (
    amplitude_error,
    cutoff_frequency,
    pulse_droop,
    rise_time,
)


def test_a_first_order_low_pass() -> None:
    cutoff = cutoff_frequency(10e3, 10e-9)
    assert cutoff == pytest.approx(1591.549431, rel=1e-9), "math: 1 / (2π R C)"


DROOPS = [(10, -0.4963), (5, -1.9419), (3, -5.1317), (2, -10.5573), (1, -29.2893)]


@pytest.mark.parametrize("share, percent", DROOPS)
def test_amplitude_error_of_a_single_pole(share: float, percent: float) -> None:
    assert 100 * amplitude_error(1 / share, 1.0) == pytest.approx(percent, abs=1e-4), "math: 1/√(1 + (f/B)²) − 1"


def test_droop_of_one_pulse() -> None:
    assert pulse_droop(1e-3, 10) == pytest.approx(0.06089863, abs=1e-8), "math: 1 − exp(−2π f_c t)"


def test_rise_time_and_bandwidth() -> None:
    assert rise_time(1e6) * 1e6 == pytest.approx(0.34970, abs=1e-5), "math: ln 9 / 2π"
