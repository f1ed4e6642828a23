"""The interval of a sum of contributions, against closed forms and against scipy's distributions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.coverage import half_width, probability_within
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.errors import Misuse

NORMAL, RECTANGULAR, TRIANGULAR = Distribution.NORMAL, Distribution.RECTANGULAR, Distribution.TRIANGULAR
ARCSINE, T = Distribution.ARCSINE, Distribution.T


def lines(*shapes: tuple[Distribution, float] | tuple[Distribution, float, float]) -> list[Contribution]:
    return [
        Contribution(f"cause {number}", standard, distribution=kind, degrees_of_freedom=freedom[0] if freedom else 1e9)
        for number, (kind, standard, *freedom) in enumerate(shapes)
    ]


ALONE = [
    # distribution, 95 % half-width for a standard uncertainty of 1, source
    (RECTANGULAR, 0.95 * math.sqrt(3), "closed form: 95 % of the half-width a = u√3"),
    (TRIANGULAR, math.sqrt(6) * (1 - math.sqrt(0.05)), "closed form: a(1 − √(1 − p)), a = u√6"),
    (ARCSINE, math.sqrt(2) * math.sin(0.475 * math.pi), "closed form: a sin(πp/2), a = u√2"),
    (NORMAL, 1.959963984540054, "scipy.stats.norm, and JCGM 100:2008, table G.1 from memory: 1.960"),
]


@pytest.mark.parametrize("kind, expected, source", ALONE, ids=[row[0] for row in ALONE])
def test_a_lone_contribution_has_the_interval_of_its_distribution(
    kind: Distribution, expected: float, source: str
) -> None:
    assert half_width(lines((kind, 2.0)), 0.95) == pytest.approx(2 * expected, rel=1e-12), source
    assert half_width(lines((kind, -2.0)), 0.95) == pytest.approx(2 * expected, rel=1e-12), source


# Student's t for p = 95 %: JCGM 100:2008, table G.2, from memory; checked here with scipy.stats.t as well
@pytest.mark.parametrize("freedom, factor", [(1, 12.71), (2, 4.30), (4, 2.78), (10, 2.23), (50, 2.01)])
def test_few_degrees_of_freedom_widen_the_interval(freedom: float, factor: float) -> None:
    found = half_width(lines((T, 1.0, freedom)), 0.95)
    assert found == pytest.approx(stats.t.ppf(0.975, freedom), rel=1e-9)
    assert round(found, 2) == factor


@pytest.mark.parametrize("short", [0.03, 0.2, 0.5, 1.0])
@pytest.mark.parametrize("probability", [0.5, 0.95, 0.99])
def test_two_rectangular_ones_make_a_trapezium(short: float, probability: float) -> None:
    found = half_width(lines((RECTANGULAR, 1 / math.sqrt(3)), (RECTANGULAR, short / math.sqrt(3))), probability)
    # scipy's trapezoid: it rises to the first corner, is level up to the second, and falls
    corner = short / (1 + short)
    reference = stats.trapezoid(corner, 1 - corner, loc=-(1 + short), scale=2 * (1 + short))
    assert found == pytest.approx(reference.ppf((1 + probability) / 2), rel=1e-9)


def test_normal_contributions_add_as_squares() -> None:
    found = half_width(lines((NORMAL, 3.0), (NORMAL, 4.0)), 0.95)
    assert found == pytest.approx(5 * stats.norm.ppf(0.975), rel=1e-12)


def test_a_rectangular_and_a_normal_one_agree_with_quadrature() -> None:
    half, sigma = 1.0, 0.4
    found = half_width(lines((RECTANGULAR, half / math.sqrt(3)), (NORMAL, sigma)), 0.95)

    def within(reach: float) -> float:
        # closed form of the convolution, integrated over the rectangular one
        inside = integrate.quad(
            lambda x: (stats.norm.cdf(reach - x, scale=sigma) - stats.norm.cdf(-reach - x, scale=sigma)) / (2 * half),
            -half,
            half,
        )
        return float(inside[0])

    assert within(found) == pytest.approx(0.95, abs=1e-6)
    assert probability_within(lines((RECTANGULAR, half / math.sqrt(3)), (NORMAL, sigma)), found) == pytest.approx(
        0.95, abs=1e-6
    )


MIXTURES = [
    [(RECTANGULAR, 1.0), (RECTANGULAR, 0.5), (NORMAL, 0.3), (T, 0.2, 3)],
    [(T, 1.0, 2), (ARCSINE, 0.5)],
    [(ARCSINE, 1.0), (TRIANGULAR, 0.7), (RECTANGULAR, 0.02)],
    [(T, 1.0, 5), (T, 1.0, 5), (RECTANGULAR, 2.0)],
    [(T, 1.0, 110), (NORMAL, 0.5)],
    [(T, 1.0, 130), (NORMAL, 0.5)],
]


@pytest.mark.parametrize("mixture", MIXTURES)
def test_mixtures_agree_with_drawing(mixture: list[tuple[Distribution, float]]) -> None:
    """JCGM 101:2008, clause 7 †: the same by drawing, with numpy's own generators."""
    draw = np.random.default_rng(101)
    size = 400_000
    makers = {
        NORMAL: lambda: draw.standard_normal(size),
        RECTANGULAR: lambda: draw.uniform(-math.sqrt(3), math.sqrt(3), size),
        TRIANGULAR: lambda: draw.triangular(-math.sqrt(6), 0, math.sqrt(6), size),
        ARCSINE: lambda: math.sqrt(2) * np.sin(draw.uniform(0, 2 * math.pi, size)),
    }
    total = np.zeros(size)
    for kind, standard, *freedom in mixture:
        total += standard * (draw.standard_t(freedom[0], size) if freedom else makers[kind]())
    found = half_width(lines(*mixture), 0.95)
    # the share of draws inside scatters by √(0.95 · 0.05 / size) = 0.00034 (binomial)
    assert float(np.mean(np.abs(total) <= found)) == pytest.approx(0.95, abs=4 * 0.00034)


def test_what_is_negligible_changes_nothing() -> None:
    alone = half_width(lines((RECTANGULAR, 1.0)), 0.95)
    assert half_width(lines((RECTANGULAR, 1.0), (NORMAL, 1e-4)), 0.95) == alone
    assert half_width(lines((RECTANGULAR, 1.0), (NORMAL, 2e-3)), 0.95) == pytest.approx(alone, rel=1e-4)


def test_the_interval_does_not_depend_on_the_unit() -> None:
    shapes = [(RECTANGULAR, 1.0), (NORMAL, 0.5), (T, 0.4, 4)]
    small = [(kind, 1e-12 * standard, *rest) for kind, standard, *rest in shapes]
    assert half_width(lines(*small), 0.95) == pytest.approx(1e-12 * half_width(lines(*shapes), 0.95), rel=1e-9)


def test_nothing_uncertain_has_no_width() -> None:
    assert half_width([], 0.95) == 0.0
    assert probability_within([], 0.0) == 1.0


@pytest.mark.parametrize("probability", [0.0, 1.0, 95.0])
def test_an_impossible_probability_is_refused(probability: float) -> None:
    with pytest.raises(Misuse, match=r"such as 0\.95"):
        half_width(lines((NORMAL, 1.0)), probability)
