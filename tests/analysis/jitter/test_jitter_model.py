"""Jitter models against the normal distribution and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.jitter.jitter_model import (
    gaussian_span,
    jitter_limited_snr_db,
    jitter_of_phase_noise,
    total_jitter,
)
from wavewright.errors import Misuse

SPANS = [
    (1e-3, 6.1805),
    (1e-6, 9.5068),
    (1e-9, 11.9956),
    (1e-10, 12.7227),
    (1e-11, 13.4120),
    (1e-12, 14.0690),
    (1e-13, 14.6976),
    (1e-14, 15.3013),
    (1e-15, 15.8827),
    (1e-16, 16.4442),
]


@pytest.mark.parametrize("error_ratio, span", SPANS)
def test_span_of_gaussian_jitter(error_ratio: float, span: float) -> None:
    # math: twice the abscissa of the normal tail; one tail a side: common practice, no source
    assert gaussian_span(error_ratio) == pytest.approx(span, abs=1e-4)
    assert 0.5 * math.erfc(gaussian_span(error_ratio) / 2 / math.sqrt(2)) == pytest.approx(error_ratio, rel=1e-9)


def test_total_jitter_of_the_two_part_model() -> None:
    # common practice, no source: 20 ps + 14.069 · 2 ps
    assert total_jitter(20e-12, 2e-12) == pytest.approx(48.138e-12, abs=1e-15)


def test_flat_phase_noise() -> None:
    # math; L(f) is half the one-sided density: IEEE 1139, from memory, not verified
    jitter = jitter_of_phase_noise(np.array([10e3, 1e6]), np.array([-120.0, -120.0]), carrier=10e6)
    assert jitter == pytest.approx(22.3951e-12, rel=1e-5)
    assert jitter * 2 * math.pi * 10e6 == pytest.approx(1.407125e-3, rel=1e-6)


@pytest.mark.parametrize("slope", [-30.0, -20.0, -10.0, 0.0, 10.0])
def test_sloping_phase_noise_is_integrated_exactly(slope: float) -> None:
    # math: trapezoids of the same density on a fine grid
    offsets = np.geomspace(1e3, 1e6, 200_001)
    density = 2e-12 * (offsets / 1e4) ** (slope / 10)
    expected = math.sqrt(float(np.trapezoid(density, offsets))) / (2 * math.pi * 10e6)
    ends = np.array([1e3, 1e6])
    levels = -120 + slope * np.log10(ends / 1e4)
    assert jitter_of_phase_noise(ends, levels, carrier=10e6) == pytest.approx(expected, rel=1e-6)


LIMITS = [(1e6, 1e-9, 44.0364), (100e6, 1e-12, 64.0364), (12e6, 50e-12, 48.4734)]


@pytest.mark.parametrize("frequency, jitter, expected", LIMITS)
def test_snr_that_jitter_allows(frequency: float, jitter: float, expected: float) -> None:
    # math: −20·log10(2πf·t)
    assert jitter_limited_snr_db(frequency, jitter) == pytest.approx(expected, abs=1e-4)


def test_nonsense_is_refused() -> None:
    with pytest.raises(Misuse, match=r"between 0 and 0\.5"):
        gaussian_span(0.7)
    with pytest.raises(Misuse, match="ascending"):
        jitter_of_phase_noise(np.array([1e6, 1e3]), np.array([-100.0, -100.0]), carrier=1e7)
