from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.record.histogram import FLOAT_BINS, SHORT, histogram_of

TYPES = [np.int8, np.uint8, np.int16, np.uint16, np.int32, np.uint32, np.int64, ">i2", "<u4", np.float32, np.float64]


@pytest.mark.parametrize("dtype", TYPES)
@pytest.mark.parametrize("size", [1, 2, 999, SHORT + 1, 300_001])
def test_every_code_is_counted_as_numpy_counts_it(dtype: type, size: int) -> None:
    # source: numpy.unique, NumPy 2.4.6
    random = np.random.default_rng(size)
    lowest = 0 if np.dtype(dtype).kind == "u" else -100
    codes = random.integers(lowest, 120, size).astype(dtype)
    if size > 2:
        codes[:2] = (np.iinfo(dtype).min, np.iinfo(dtype).max) if np.dtype(dtype).itemsize <= 2 else (lowest, 120)
    found = histogram_of(codes)
    distinct, counts = np.unique(codes.astype(np.float64), return_counts=True)
    if not found.is_exact:  # a long record of floats is binned
        assert found.total == size
        return
    assert np.array_equal(found.codes, distinct)
    assert np.array_equal(found.counts, counts)


@given(st.lists(st.integers(-128, 127), max_size=40), st.integers(1, 3))
def test_codes_that_do_not_lie_side_by_side_are_counted(codes: list[int], step: int) -> None:
    record = np.repeat(np.array(codes, dtype=np.int8), step)[::step]
    found = histogram_of(record)
    assert dict(zip(found.codes, found.counts, strict=True)) == {code: codes.count(code) for code in set(codes)}


def test_samples_that_are_not_finite_are_in_no_bin() -> None:
    found = histogram_of(np.array([1.0, np.nan, np.inf, 1.0, -np.inf, 3.0]))
    assert found.codes.tolist() == [1.0, 3.0]
    assert found.counts.tolist() == [2, 1]


def test_a_long_record_of_floats_keeps_its_mean_within_each_bin() -> None:
    values = np.random.default_rng(3).normal(5.0, 2.0, 100_000)
    values[77] = np.nan
    found = histogram_of(values)
    assert not found.is_exact
    assert found.codes.size <= FLOAT_BINS
    assert found.total == 99_999
    assert np.average(found.codes, weights=found.counts) == pytest.approx(np.nanmean(values), rel=1e-12)


@pytest.mark.parametrize("value", [7.25, np.nan])
def test_a_long_constant_of_floats_has_one_code_or_none(value: float) -> None:
    found = histogram_of(np.full(70_000, value))
    assert found.codes.tolist() == ([] if np.isnan(value) else [value])


def test_wide_integers_that_span_much_are_binned() -> None:
    found = histogram_of(np.array([-(2**31), 0, 1, 2**31 - 1], dtype=np.int64))
    assert not found.is_exact
    assert found.total == 4


def test_the_count_of_a_code_that_does_not_occur_is_0() -> None:
    found = histogram_of(np.array([1, 3, 3], dtype=np.int8))
    assert [found.count_of(code) for code in (0, 1, 2, 2.5, 3, 4)] == [0, 1, 0, 0, 2, 0]
