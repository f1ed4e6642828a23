"""The worst of all occurrences, and when it was."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.reading import Reading


@given(values=st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=30), largest=st.booleans())
def test_the_worst_is_one_of_them_and_none_is_worse(values: list[float], largest: bool) -> None:
    times = [float(number) for number in range(len(values))]
    reading = Reading.of_worst(values, times=times, unit="s", largest=largest)
    assert reading.at is not None
    assert reading.value == values[int(reading.at)] == (max(values) if largest else min(values))
    assert int(reading.at) == values.index(reading.value), "the first of equal ones"
    assert (reading.count, reading.minimum, reading.maximum) == (len(values), min(values), max(values))
    assert reading.as_json()["at"] == reading.at


def test_one_occurrence_has_no_scatter_and_a_mean_has_no_place() -> None:
    assert Reading.of_worst([2.0], times=[5.0], unit="s", largest=True).standard_deviation is None
    # closed form: the standard deviation of 1 and 3 is sqrt(2), n - 1 in the denominator
    assert Reading.of_worst([1, 3], times=[0, 1], unit="s", largest=False).standard_deviation == pytest.approx(2**0.5)
    assert Reading.of_occurrences([1.0, 3.0], times=[0.0, 1.0], unit="s").at is None
    assert "at" not in Reading.of_occurrences([1.0, 3.0], times=[0.0, 1.0], unit="s").as_json()
