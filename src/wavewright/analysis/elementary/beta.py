"""The beta distribution, which shares follow."""

from __future__ import annotations

from wavewright.analysis.elementary.exponentials import exp, log
from wavewright.analysis.elementary.gamma import log_gamma

_MOST_STEPS = 100_000
_LEAST = 1e-300  # in place of a 0 that would be divided by


def probability_of_beta(x: float, a: float, b: float) -> float:
    """Probability that a beta distributed share with shapes a and b, both > 0, is below x, 0 … 1.

    The continued fraction of the incomplete beta function (NIST Digital Library of Mathematical Functions, 8.17.22 †).
    """
    if not 0 < x < 1:
        return float(x >= 1)
    if x > (a + 1) / (a + b + 2):
        return 1 - probability_of_beta(1 - x, b, a)
    front = a * log(x) + b * log(1 - x) + log_gamma(a + b) - log_gamma(a) - log_gamma(b)
    above, below = 1.0, 1 / ((1 - (a + b) * x / (a + 1)) or _LEAST)
    value = below
    for m in range(1, _MOST_STEPS):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            below = 1 / ((1 + term * below) or _LEAST)
            above = (1 + term / above) or _LEAST
            value *= above * below
        if abs(above * below - 1) < 2.0**-51:
            break
    return exp(front) * value / a


def beta_quantile(probability: float, a: float, b: float) -> float:
    """The share that a beta distributed one is below with a probability, by halving."""
    low, high = 0.0, 1.0
    while low < (middle := (low + high) / 2) < high:
        low, high = (middle, high) if probability_of_beta(middle, a, b) < probability else (low, middle)
    return high
