"""Tolerance intervals: published factors, sample sizes, and coverage counted."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.errors import Misuse
from wavewright.logbook.studies.tolerance import (
    any_distribution_tolerance,
    normal_tolerance,
    one_sided_factor,
    smallest_sample,
    two_sided_factor,
)


@pytest.mark.parametrize(
    "count, share, confidence, k",
    [
        # ISO 16269-6 and the tables of one-sided factors; from memory, not verified
        (10, 0.95, 0.95, 2.911),
        (43, 0.90, 0.99, 1.8740),  # NIST/SEMATECH e-Handbook 7.2.6.3, by noncentral t; from memory, not verified
    ],
)
def test_one_sided_factors(count: int, share: float, confidence: float, k: float) -> None:
    assert one_sided_factor(count, share, confidence) == pytest.approx(k, abs=1e-3)


def test_two_sided_factor_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 7.2.6.3: n 43, 90 %, 99 %: 2.217 by an approximation (from memory, not verified)
    assert two_sided_factor(43, 0.90, 0.99) == pytest.approx(2.217, abs=0.01)


def test_two_sided_factor_comes_to_the_normal_quantile() -> None:
    # math: with very many values the interval is that of the known distribution
    assert two_sided_factor(100_000, 0.95, 0.95) == pytest.approx(1.959964, abs=0.01)


@pytest.mark.parametrize(
    "share, confidence, side, count",
    [
        # Annals of Mathematical Statistics 12 (1941) 91-96: the well-known sample sizes (from memory)
        (0.95, 0.95, "both", 93),
        (0.95, 0.95, "upper", 59),
        (0.90, 0.90, "both", 38),
        (0.99, 0.95, "upper", 299),
    ],
)
def test_smallest_samples_for_any_distribution(share: float, confidence: float, side: str, count: int) -> None:
    assert smallest_sample(share, confidence, side=side) == count


def test_stated_confidence_is_reached() -> None:
    # 4000 seeded groups of 20 normal values: confidence 0.90 within three standard errors, 3 sqrt(0.09/4000) = 1.4 %
    rng = np.random.default_rng(5)
    k = two_sided_factor(20, 0.90, 0.90)
    groups = rng.normal(size=(4000, 20))
    means, s = groups.mean(axis=1), groups.std(axis=1, ddof=1)
    phi = np.vectorize(lambda x: 0.5 * (1 + math.erf(x / math.sqrt(2))))
    covered = phi(means + k * s) - phi(means - k * s)
    assert float((covered >= 0.90).mean()) == pytest.approx(0.90, abs=0.015)


def test_order_statistics_bound_whatever_was_measured() -> None:
    values = np.random.default_rng(3).exponential(size=200)
    interval = any_distribution_tolerance(values)
    assert interval.low >= values.min()
    assert interval.high <= values.max()
    ranked = np.sort(values)
    assert interval.low in ranked
    assert interval.high in ranked


def test_too_few_units_are_told_how_many_it_takes() -> None:
    with pytest.raises(Misuse, match="at least 93 values"):
        any_distribution_tolerance([1.0] * 92)


def test_an_open_side_has_no_limit() -> None:
    assert normal_tolerance([1.0, 1.1, 0.9, 1.05], side="upper").low == -math.inf


def test_an_unknown_side_is_refused() -> None:
    with pytest.raises(Misuse, match="one of both, lower, upper"):
        normal_tolerance([1.0, 2.0], side="top")
