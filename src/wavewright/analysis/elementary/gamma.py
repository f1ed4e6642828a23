"""The gamma distribution of scale 1."""

from __future__ import annotations

import math

from wavewright.analysis.elementary.exponentials import exp, log

_LARGE = 100.0  # from here on the series for the median is exact to 2**-52
_STIRLING_FROM = 12.0
_OF_STIRLING = (1 / 12, -1 / 360, 1 / 1260, -1 / 1680, 1 / 1188, -691 / 360360, 1 / 156)
_MOST_ROUNDS = 100


def log_gamma(x: float) -> float:
    """The logarithm of the gamma function, x > 0 (NIST Digital Library of Mathematical Functions, 5.11.1 †)."""
    product = 1.0
    while x < _STIRLING_FROM:
        product, x = product * x, x + 1
    rest, inverse = 0.0, 1 / (x * x)
    for coefficient in reversed(_OF_STIRLING):
        rest = rest * inverse + coefficient
    return (x - 0.5) * log(x) - x + log(2 * math.pi) / 2 + rest / x - log(product)


def gamma_median(shape: float) -> float:
    """The median of a gamma distribution with a shape ≥ 0.5: half the values are below it (8.11.11 †)."""
    inverse = 1 / shape
    expansion = (8 / 405, 184 / 25515, 2248 / 3444525, -19006408 / 15345358875)
    median, factor = shape - 1 / 3, inverse
    for coefficient in expansion:
        median, factor = median + coefficient * factor, factor * inverse
    if shape >= _LARGE:
        return median
    for _ in range(_MOST_ROUNDS):
        density = exp((shape - 1) * log(median) - median - log_gamma(shape))
        step = (0.5 - density * median * _below(shape, median)) / density
        median += step
        if abs(step) <= 2.0**-48 * median:
            break
    return median


def _below(shape: float, x: float) -> float:
    """The share below x over x times the density: a series of positive terms (8.7.1 †)."""
    total, term, place = 0.0, 1 / shape, shape
    while term > total * 2.0**-54:
        total += term
        place += 1
        term *= x / place
    return total
