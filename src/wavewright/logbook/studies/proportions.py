"""Proportions with their confidence intervals: yields, and shares of failed units."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

from wavewright.errors import Misuse


@dataclass(frozen=True, slots=True)
class Proportion:
    """A counted share with the ends of its two-sided confidence interval; all between 0 and 1."""

    count: int
    total: int
    value: float
    low: float
    high: float


def exact_proportion(count: int, total: int, *, confidence: float = 0.95) -> Proportion:
    """A counted proportion with the exact (Clopper–Pearson) interval, from the quantiles of the beta distribution.

    The interval never covers less often than `confidence` says; that makes it the one for a yield.

    Raises
    ------
    Misuse : counts or a confidence that make no sense.
    """
    from scipy.stats import beta

    _check(count, total, confidence)
    tail = (1 - confidence) / 2
    low = float(beta.ppf(tail, count, total - count + 1)) if count else 0.0
    high = float(beta.ppf(1 - tail, count + 1, total - count)) if count < total else 1.0
    return Proportion(count, total, count / total, low, high)


def score_proportion(count: int, total: int, *, confidence: float = 0.95) -> Proportion:
    """A counted proportion with the score (Wilson) interval: shorter than the exact one, right on average.

    Raises
    ------
    Misuse : counts or a confidence that make no sense.
    """
    from scipy.stats import norm

    _check(count, total, confidence)
    z = float(norm.ppf((1 + confidence) / 2))
    share = count / total
    centre = (share + z * z / (2 * total)) / (1 + z * z / total)
    half = z * math.sqrt(share * (1 - share) / total + (z / (2 * total)) ** 2) / (1 + z * z / total)
    return Proportion(count, total, share, max(0.0, centre - half), min(1.0, centre + half))


def first_pass_yield(units: Sequence[tuple[Hashable, bool]], *, confidence: float = 0.95) -> Proportion:
    """Share of units whose first run passed; later runs of the same unit do not count.

    Parameters
    ----------
    units : serial number and whether that run passed, in the order of the runs.

    Raises
    ------
    Misuse : there is no run.
    """
    first: dict[Hashable, bool] = {}
    for serial, passed in units:
        first.setdefault(serial, passed)
    return exact_proportion(sum(first.values()), len(first), confidence=confidence)


def _check(count: int, total: int, confidence: float) -> None:
    if not 0 <= count <= total or total == 0:
        raise Misuse(f"{count} out of {total}", expected="a count from 0 to a total of at least 1")
    if not 0 < confidence < 1:
        raise Misuse(f"confidence {confidence:g}", expected="a number between 0 and 1, such as 0.95")
