"""Capability indices against the handbook's example and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import Misuse
from wavewright.logbook.studies.capability import capability, capability_from

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6: limits 8 and 20, mean 16, s 2, target 14
# (the example is from memory, not verified; the formulas are the section's)
HANDBOOK = capability_from(16, 2, 50, low=8, high=20, target=14)


def test_indices_of_the_handbook_example() -> None:
    assert HANDBOOK.cp == 1.0
    assert HANDBOOK.cpk == pytest.approx(2 / 3, rel=1e-12)
    assert HANDBOOK.cpk == pytest.approx((1 - 1 / 3) * 1.0)  # Cp (1 - k), k = 1/3
    assert HANDBOOK.cpm == pytest.approx(0.707107, abs=1e-6)


def test_confidence_intervals_of_the_handbook_example() -> None:
    # math: chi-square quantiles of 49 degrees; the normal approximation of e-Handbook 6.1.6
    assert HANDBOOK.cp_interval == pytest.approx((0.802482, 1.197126), abs=1e-6)
    assert HANDBOOK.cpk_interval == pytest.approx((0.505551, 0.827782), abs=1e-6)


@pytest.mark.parametrize(
    "mean, s, low, high, ppm",
    [
        (16, 2, 8, 20, 22781.80),
        (0, 1, -3, 3, 2699.796),  # centred, Cp = 1
        (0, 1, -4, 4, 63.342),  # Cp = 4/3
        (0, 1, -math.inf, 4.5, 3.3977),  # one side
    ],
)
def test_fraction_outside_of_normal_values(mean: float, s: float, low: float, high: float, ppm: float) -> None:
    # math: normal distribution
    outside = capability_from(mean, s, 50, low=low, high=high).fraction_outside
    assert outside * 1e6 == pytest.approx(ppm, abs=5e-3)


@given(gain=st.floats(1e-3, 1e3), offset=st.floats(-1e3, 1e3))
def test_indices_do_not_depend_on_the_unit(gain: float, offset: float) -> None:
    values = np.random.default_rng(7).normal(3.3, 0.01, 40)
    there = capability(values, low=3.234, high=3.366)
    moved = capability(gain * values + offset, low=gain * 3.234 + offset, high=gain * 3.366 + offset)
    assert moved.cp == pytest.approx(there.cp, rel=1e-6)
    assert moved.cpk == pytest.approx(there.cpk, rel=1e-6)


def test_one_limit_gives_cpk_and_no_cp() -> None:
    one = capability([30.0, 32.0, 31.0, 29.5], high=40.0)
    assert one.cp is None
    assert one.cpk is not None
    assert one.cpk > 1


@pytest.mark.parametrize(
    "values, limits, what",
    [
        ([1.0], {"low": 0.0}, "1 values"),
        ([1.0, 1.0], {"low": 0.0}, "all values are equal"),
        ([1.0, 2.0], {}, "limits -inf and inf"),
        ([1.0, 2.0], {"low": 3.0, "high": 2.0}, "limits 3 and 2"),
    ],
)
def test_what_cannot_be_computed_is_refused(values: list[float], limits: dict[str, float], what: str) -> None:
    with pytest.raises(Misuse, match=what):
        capability(values, **limits)
