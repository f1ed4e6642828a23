"""How far the levels of noisy records scatter, and how far they say that they do."""

from __future__ import annotations

import numpy as np
import pytest

from wavewright.analysis.measure import measure
from wavewright.waveform import Waveform

SHAPE = 60.3 * np.sign(np.sin(2 * np.pi * (np.arange(20_000) + 0.5) / 2000))


def level_errors(noise: float, *, is_quantised: bool) -> tuple[float, float]:
    """Root mean square of the errors of `high_level` in 60 records, and of the uncertainties that it gives."""
    errors, claims = [], []
    for seed in range(60):
        values = SHAPE + np.random.default_rng(seed).normal(0, noise, SHAPE.size)
        codes = np.round(values).astype(np.int8) if is_quantised else values
        reading = measure(Waveform(codes, interval=1e-7, name="line"), "high_level", levels="mode")
        assert reading.value is not None
        assert reading.uncertainty is not None
        errors.append(reading.value - 60.3)
        claims.append(reading.uncertainty)
    return float(np.sqrt(np.mean(np.square(errors)))), float(np.mean(claims))


# math: a standard uncertainty is the standard deviation of the error (JCGM 100:2008, 2.3.1, from memory, not verified),
# here that of 60 records of known level
@pytest.mark.parametrize("noise", [1.0, 3.0, 8.0])
def test_the_mode_of_noisy_codes_is_as_uncertain_as_it_says(noise: float) -> None:
    error, claimed = level_errors(noise, is_quantised=True)
    assert error / 1.4 < claimed < error * 1.4


@pytest.mark.parametrize("noise", [1.0, 3.0])
def test_the_mode_of_noisy_floats_is_as_uncertain_as_it_says(noise: float) -> None:
    error, claimed = level_errors(noise, is_quantised=False)
    assert error / 1.6 < claimed < error * 1.6


def test_noise_within_one_bin_of_the_mode_bounds_its_uncertainty() -> None:
    error, claimed = level_errors(0.3, is_quantised=False)
    assert error < claimed < 0.3


def test_the_mode_of_floats_without_noise_claims_no_uncertainty() -> None:
    assert measure(Waveform(SHAPE, interval=1e-7, name="line"), "high_level").uncertainty is None
