from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.record.histogram import histogram_of
from wavewright.analysis.record.moments import moments_of, moments_of_histogram, subtract_histograms
from wavewright.analysis.record.record import Record
from wavewright.waveform import Waveform


@given(st.lists(st.integers(-32768, 32767), min_size=1, max_size=60))
def test_moments_of_integers_are_those_of_exact_arithmetic(codes: list[int]) -> None:
    # math: mean and mean square distance in rational numbers
    mean = Fraction(sum(codes), len(codes))
    variance = sum((code - mean) ** 2 for code in codes) / len(codes)
    for dtype in (np.int16, np.int32, np.float64):
        found = moments_of(np.array(codes, dtype=dtype))
        assert found.count == len(codes)
        assert found.mean == pytest.approx(float(mean), rel=1e-12, abs=1e-9)
        assert found.variance == pytest.approx(float(variance), rel=1e-9, abs=1e-6)


def test_a_huge_offset_costs_no_digits() -> None:
    # math: ±1 about any offset has variance 1; 1e9 ± 1 squared needs 19 digits, float64 has 16
    found = moments_of(np.where(np.arange(100_000) % 2, 1.0, -1.0) + 1e9)
    assert found.mean == 1e9
    assert found.variance == pytest.approx(1.0, rel=1e-12)


def test_nothing_has_no_moments() -> None:
    assert moments_of(np.array([], dtype=np.int8)).count == 0
    assert moments_of(np.array([math.nan, math.inf])).count == 0


@given(st.lists(st.integers(-9, 9), min_size=2, max_size=50), st.data())
def test_a_part_taken_from_the_whole_leaves_the_rest(codes: list[int], data: st.DataObject) -> None:
    cut = data.draw(st.integers(1, len(codes) - 1))
    record = np.array(codes, dtype=np.int8)
    rest = subtract_histograms(histogram_of(record), histogram_of(record[:cut]))
    assert moments_of_histogram(rest).mean == pytest.approx(record[cut:].mean())
    assert rest.total == len(codes) - cut


@pytest.mark.parametrize("dtype", [np.int8, np.int32, np.float64])
@pytest.mark.parametrize("first, last", [(0, 1000), (3, 990), (400, 450), (0, 1)])
def test_moments_of_a_stretch_are_those_of_the_stretch_alone(dtype: type, first: int, last: int) -> None:
    codes = np.random.default_rng(8).integers(-100, 100, 1000).astype(dtype)
    found = Record(Waveform(codes, interval=1.0)).moments_between(first, last)
    assert found.count == last - first
    assert found.mean == pytest.approx(codes[first:last].mean())
    assert found.variance == pytest.approx(codes[first:last].var(), abs=1e-9)
