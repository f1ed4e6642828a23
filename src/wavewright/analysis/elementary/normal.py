"""The normal distribution of mean 0 and standard deviation 1, and the error function."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from wavewright.analysis.elementary.exponentials import Number, exp, log
from wavewright.waveform import Floats

_FAR = 1.3  # from here on the continued fraction of the complement is used, before it the series
_TERMS, _STEPS = 30, 150  # of the two; what is left out is below 2**-56 there
_ENDLESS = 40.0  # beyond it the complement is below the least float64
_MOST_ROUNDS = 100
_LN2 = log(2.0)


def erf(x: Number) -> Number:
    """The error function (NIST Digital Library of Mathematical Functions, 7.6.2 and 7.9.1 †)."""
    if isinstance(x, np.ndarray):
        size = np.abs(x)
        found = np.where(size < _FAR, _near(np.minimum(size, _FAR)), 1 - _far(np.clip(size, _FAR, _ENDLESS)))
        return np.copysign(found, x)
    far = abs(x)
    return math.copysign(_near(far) if far < _FAR else 1 - _far(min(far, _ENDLESS)), x)


def erfc(x: Number) -> Number:
    """1 − erf x, with all its digits where it is small."""
    if isinstance(x, np.ndarray):
        return np.where(x < _FAR, 1 - erf(np.minimum(x, _FAR)), _far(np.clip(x, _FAR, _ENDLESS)))
    return 1 - erf(x) if x < _FAR else _far(min(x, _ENDLESS))


@lru_cache(maxsize=4096)
def normal_quantile(probability: float) -> float:
    """What a normal value is below with a probability, between 0 and 1, both excluded."""
    return float(normal_quantiles(np.array([probability]))[0])


def normal_quantiles(probabilities: Floats) -> Floats:
    """`normal_quantile` of each; shape (n,)."""
    tail = np.minimum(probabilities, 1 - probabilities)  # a small one keeps its digits
    wanted = log(tail)
    z = np.sqrt(np.maximum(-2 * (wanted + _LN2), 0.0))  # the tail is less than half of exp(−z²/2)
    for _ in range(_MOST_ROUNDS):
        left = erfc(z / math.sqrt(2)) / 2
        # Newton's step for the logarithm of the tail, which is nearly a parabola
        step = (log(left) - wanted) * left * math.sqrt(2 * math.pi) / exp(-z * z / 2)
        z = np.maximum(z + step, 0.0)
        if not (np.abs(step) > 2.0**-50 * (1 + z)).any():
            break
    return np.where(probabilities < 0.5, -z, z)


def _near(x: Number) -> Number:
    """erf x for x from 0 to `_FAR`: a series of positive terms."""
    twice = 2 * x * x
    total = term = 1 + 0 * twice
    for k in range(1, _TERMS):
        term = term * twice / (2 * k + 1)
        total = total + term
    return 2 / math.sqrt(math.pi) * x * exp(-x * x) * total


def _far(x: Number) -> Number:
    """erfc x for x from `_FAR` to `_ENDLESS`: a continued fraction."""
    rest = x
    for k in range(_STEPS, 0, -1):
        rest = x + k / 2 / rest
    return exp(-x * x) / (math.sqrt(math.pi) * rest)
