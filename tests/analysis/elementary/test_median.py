"""Against NumPy's median, whose bits these are."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.elementary.median import FEW, median


@given(st.lists(st.floats(-1e300, 1e300), min_size=1, max_size=9))
def test_the_median_of_a_few_is_that_of_numpy(values: list[float]) -> None:
    assert median(np.array(values)) == np.median(values)


def test_the_median_of_many_is_that_of_numpy() -> None:
    random = np.random.default_rng(204)
    for size in (FEW - 1, FEW, FEW + 1, FEW + 2, 10 * FEW):
        values = random.normal(size=size)
        before = values.copy()
        assert median(values) == np.median(values)
        assert np.array_equal(values, before)


def test_there_is_no_median_of_nothing_and_none_beside_what_is_no_number() -> None:
    assert math.isnan(median(np.empty(0)))
    for size in (1, 2, 3, FEW + 1):
        values = np.arange(float(size))
        values[size // 2] = math.nan
        assert math.isnan(median(values))
