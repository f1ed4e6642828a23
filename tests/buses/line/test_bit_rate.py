from __future__ import annotations

import numpy as np
import pytest

from wavewright.buses.line.bit_rate import find_bit_time, rate_scale, shortest_pulse
from wavewright.buses.line.logic import Line
from wavewright.errors import NotMeasurable


@pytest.mark.parametrize("scale", [0.92, 0.97, 1.0, 1.03, 1.08])
def test_near_edges_keep_far_ones_from_counting_for_the_wrong_bit(scale: float) -> None:
    # closed form: at 8 % the seventh edge lies nearer to the eighth place of the setting
    measured, spread = rate_scale(scale * np.arange(1.0, 10.0))
    assert measured == pytest.approx(scale)
    assert spread == pytest.approx(0.0, abs=1e-9)


def test_without_edges_the_scale_is_not_known() -> None:
    assert rate_scale(np.empty(0)) == (1.0, np.inf)


def test_the_spread_is_that_of_the_slope_through_the_origin() -> None:
    # JCGM 100:2008, H.3 in the case of one parameter: s / sqrt(sum of squares)
    generator = np.random.default_rng(1)
    counts = np.tile(np.arange(1.0, 9.0), 500)
    found = [rate_scale(counts + generator.normal(0, 0.05, counts.size)) for _ in range(200)]
    values, spreads = np.array(found).T
    assert values.std() == pytest.approx(spreads.mean(), rel=0.2)  # 1 / sqrt(2 · 200) is 5 %


def test_rare_glitches_are_not_taken_for_bits() -> None:
    edges = np.cumsum([1.0, 2.0, 1.0, 3.0, 1.0, 2.0] * 50)
    with_glitch = np.sort(np.append(edges, [edges[100] + 0.3, edges[100] + 0.35]))
    assert shortest_pulse(with_glitch) == pytest.approx(1.0)
    assert find_bit_time(Line(True, with_glitch, 0.0, 600.0)) == pytest.approx(1.0, rel=0.02)


def test_three_edges_are_too_few() -> None:
    with pytest.raises(NotMeasurable, match="3 edges"):
        find_bit_time(Line(True, np.array([1.0, 2.0, 3.0]), 0.0, 4.0))


def test_the_spread_of_three_edges_has_two_degrees_of_freedom() -> None:
    # JCGM 100:2008, H.3 in the case of one parameter, by hand: three edges less one slope are two degrees of freedom
    places, counts = np.array([1.01, 2.0, 2.99]), np.array([1.0, 2.0, 3.0])
    scale = (1.01 * 1 + 2.0 * 2 + 2.99 * 3) / 14
    left = places - scale * counts
    expected = ((left**2).sum() / 2 / 14) ** 0.5
    assert rate_scale(places) == pytest.approx((scale, expected), rel=1e-12)
