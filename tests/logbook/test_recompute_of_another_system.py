"""Recomputed on another system: last digits of uncertainties are no difference, all else is."""

from __future__ import annotations

import math

import pytest

from wavewright.analysis.reading import Reading
from wavewright.logbook.recompute import _is_same, _plain

READING = Reading(9.928992e3, "Hz", uncertainty=0.0005698433646816099, count=7)


@pytest.mark.parametrize("factor, same", [(1 + 1.5e-13, True), (1 - 9e-11, True), (1 + 2e-10, False), (2.0, False)])
def test_an_uncertainty_may_differ_in_its_last_digits(factor: float, same: bool) -> None:
    other = Reading(READING.value, "Hz", uncertainty=READING.uncertainty * factor, count=7)
    assert _is_same(_plain(READING), _plain(other)) is same


def test_a_value_may_not() -> None:
    other = Reading(math.nextafter(READING.value, math.inf), "Hz", uncertainty=READING.uncertainty, count=7)
    assert not _is_same(_plain(READING), _plain(other))
    assert not _is_same((READING,), (READING, READING))
    assert not _is_same(None, READING)
