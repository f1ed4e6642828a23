"""Inputs evaluated from observations."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.analysis.nist_strd import SETS
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.inputs import Input


@pytest.mark.parametrize("name", SETS)
def test_observed_mean_and_its_uncertainty_are_certified(name: str) -> None:
    # source: NIST StRD, univariate summary statistics: certified mean and standard deviation, over √n (4.2.3)
    values, mean, deviation, _ = SETS[name]
    found = Input.observed(values.tolist())
    assert found.value == pytest.approx(mean, rel=1e-14)
    # the printed decimals are rounded to float64 first: relative to a small deviation that is more
    rounding = max(1e-13, 2 * np.spacing(abs(mean)) / deviation)
    assert found.standard == pytest.approx(deviation / math.sqrt(values.size), rel=rounding)
    assert (found.distribution, found.degrees_of_freedom) == (Distribution.T, values.size - 1)


def test_observations_may_be_an_array() -> None:
    assert Input.observed(np.array([1.0, 3.0])) == Input.observed([1.0, 3.0])
