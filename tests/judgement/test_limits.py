"""Limits and their margins."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import Misuse
from wavewright.judgement.limits import Limit, Margin

MARGINS = [
    # limit, unit, value, distance to the nearer end, over half the width or over the one end (definition)
    ("2 V .. 4 V", "V", 3.5, 0.5, 0.5),
    ("2 V .. 4 V", "V", 2.25, 0.25, 0.25),
    ("2 V .. 4 V", "V", 4.0, 0.0, 0.0),
    ("2 V .. 4 V", "V", 5.0, -1.0, -1.0),
    ("2 V .. 4 V", "V", 1.5, -0.5, -0.5),
    ("at most 8 V", "V", 6.0, 2.0, 0.25),
    ("at most 8 V", "V", 10.0, -2.0, -0.25),
    ("at least 8 V", "V", 10.0, 2.0, 0.25),
    ("at least -8 V", "V", -10.0, -2.0, -0.25),
    ("at most 0 V", "V", -1.0, 1.0, None),
    ("exactly 2", "count", 2.0, 0.0, None),
    ("exactly 2", "count", 3.0, -1.0, None),
]


@pytest.mark.parametrize("text, unit, value, distance, fraction", MARGINS)
def test_the_margin_is_the_distance_to_the_nearer_end(
    text: str, unit: str, value: float, distance: float, fraction: float | None
) -> None:
    assert Limit.read(text, unit=unit).margin(value) == Margin(distance, fraction)


def test_a_limit_is_shown_in_the_words_that_stated_it() -> None:
    assert str(Limit.read("2.2 ms  ± 20 %", unit="s")) == "2.2 ms ± 20 %"


def test_a_limit_in_another_unit_is_refused() -> None:
    with pytest.raises(Misuse) as caught:
        Limit.read("at most 40 mV", unit="s")
    assert str(caught.value) == "`40 mV` is a voltage\n  expected: a time, such as `500 us`"


@given(low=st.floats(-1e6, 1e6), width=st.floats(0, 1e6), value=st.floats(-3e6, 3e6))
def test_a_limit_holds_exactly_where_the_margin_is_not_negative(low: float, width: float, value: float) -> None:
    limit = Limit.read(f"{low!r} V .. {low + width!r} V", unit="V")
    assert limit.holds(value) == (limit.margin(value).value >= 0)


def test_an_open_end_is_never_the_nearer_one() -> None:
    assert Limit.read("at most 1 V", unit="V").interval.low == -math.inf
    assert Limit.read("at most 1 V", unit="V").margin(-1e300).value == pytest.approx(1e300)
