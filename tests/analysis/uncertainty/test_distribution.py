"""Characteristic functions against scipy's integrals, and reaches that leave nothing out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from wavewright.analysis.uncertainty.distribution import Distribution

DENSITIES = [
    # distribution of standard uncertainty 1, the same of scipy, where its density ends
    (Distribution.NORMAL, stats.norm(), 12.0),
    (Distribution.RECTANGULAR, stats.uniform(-math.sqrt(3), 2 * math.sqrt(3)), math.sqrt(3)),
    (Distribution.TRIANGULAR, stats.triang(0.5, -math.sqrt(6), 2 * math.sqrt(6)), math.sqrt(6)),
]


@pytest.mark.parametrize("kind, reference, end", DENSITIES, ids=[row[0] for row in DENSITIES])
def test_characteristic_function(kind: Distribution, reference: stats.rv_continuous, end: float) -> None:
    angles = np.array([0.0, 0.3, 1.0, 2.5, 7.0])
    expected = [integrate.quad(lambda x, t=t: reference.pdf(x) * math.cos(t * x), -end, end)[0] for t in angles]
    assert kind.characteristic(angles) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("freedom", [1.0, 2.5, 4.0, 30.0, 119.0])
def test_characteristic_function_of_t(freedom: float) -> None:
    angles = np.array([0.3, 1.0, 2.5])
    found = Distribution.T.characteristic(angles, freedom=freedom)
    expected = [
        2 * integrate.quad(stats.t(freedom).pdf, 0, np.inf, weight="cos", wvar=float(t), limlst=400)[0] for t in angles
    ]
    assert found == pytest.approx(expected, abs=1e-6)


def test_characteristic_function_of_t_of_one_degree_of_freedom_is_that_of_cauchy() -> None:
    angles = np.array([0.0, 1e-9, 1e-3, 1.0, 30.0])
    assert Distribution.T.characteristic(angles, freedom=1.0) == pytest.approx(np.exp(-angles), abs=1e-12)


def test_characteristic_function_of_arcsine_is_that_of_a_sine_of_random_phase() -> None:
    phases = (np.arange(4096) + 0.5) * 2 * math.pi / 4096  # the mean over a whole turn is exact to rounding
    angles = np.array([0.0, 0.4, 1.7, 6.0])
    expected = [float(np.cos(t * math.sqrt(2) * np.sin(phases)).mean()) for t in angles]
    assert Distribution.ARCSINE.characteristic(angles) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("kind", Distribution)
def test_nearly_everything_lies_within_the_reach(kind: Distribution) -> None:
    freedom = 8.0 if kind is Distribution.T else math.inf
    assert kind.reach(freedom=freedom) >= kind.half_width(1 - 2e-6, freedom=freedom)


ALONE = [*((kind, math.inf, reference) for kind, reference, _ in DENSITIES),
         (Distribution.ARCSINE, math.inf, stats.arcsine(-math.sqrt(2), 2 * math.sqrt(2))),
         (Distribution.T, 4.0, stats.t(4.0))]  # fmt: skip


@pytest.mark.parametrize("kind, freedom, reference", ALONE, ids=[row[0] for row in ALONE])
def test_probability_of_one_distribution_alone(
    kind: Distribution, freedom: float, reference: stats.rv_continuous
) -> None:
    for distance in (1e-3, 0.7, 1.2, 1.6, 6.0, 1e9):
        expected = reference.cdf(distance) - reference.cdf(-distance)
        assert kind.probability_within(distance, freedom=freedom) == pytest.approx(expected, abs=1e-13)
    for probability in (0.1, 0.95, 0.99999):
        reach = kind.half_width(probability, freedom=freedom)
        assert kind.probability_within(reach, freedom=freedom) == pytest.approx(probability, abs=1e-8)
