"""Bars of a distribution, whatever the values are."""

from __future__ import annotations

import math

import pytest

from wavewright.reporting.chart_pictures import bar_edges


@pytest.mark.parametrize(
    "values",
    [
        [0.3, 0.3],
        [0.0],
        [-1e-300, 1e-300],
        [0.3, math.nextafter(0.3, 1), 0.3],  # of a sum whose terms were added in another order
        [1e6, math.nextafter(1e6, 0)] * 40,
        [-5.0, -5.0 * (1 + 1e-12), -5.0],
        [1.0, 2.0, 2.5, 4.0],
    ],
)
def test_all_values_lie_between_the_outer_edges(values: list[float]) -> None:
    edges = bar_edges(values)
    assert edges == sorted(set(edges))
    assert edges[0] <= min(values) <= max(values) <= edges[-1]
    assert all(map(math.isfinite, edges))
