"""Bessel functions of order 0."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.elementary.angles import cosine_and_sine_of
from wavewright.analysis.elementary.turns import cosine_and_sine
from wavewright.waveform import Floats

if TYPE_CHECKING:
    import numpy.typing as npt

_MOST_TERMS = 200
_FAR = 25.0  # from here on 24 terms of the asymptotic series are more exact than float64
_NODES = 32  # of the mean below; it is off by twice the Bessel function of order 64 at most, 1e-19 at 25


def bessel_i0(x: npt.ArrayLike) -> Floats:
    """The modified Bessel function I0 by its power series, Σ ((x/2)^k / k!)²; all terms are positive."""
    quarter = np.asarray(x, dtype=np.float64) ** 2 / 4
    total = term = np.ones_like(quarter)
    for k in range(1, _MOST_TERMS):
        term = term * quarter / (k * k)
        total = total + term
        if not (term > total * 2.0**-54).any():
            break
    return total


def bessel_j0(x: npt.ArrayLike) -> Floats:
    """The Bessel function J0 for x ≥ 0, to 2**-49.

    Near 0 the mean of cos(x·sin φ) over a quarter of a turn, and for large x Hankel's series (NIST Digital Library of
    Mathematical Functions, 10.9.1 and 10.17.3 †).
    """
    given = np.abs(np.asarray(x, dtype=np.float64))
    near, far = np.minimum(given, _FAR), np.maximum(given, _FAR)
    _, heights = cosine_and_sine((np.arange(_NODES) + 0.5) / (2 * _NODES))
    mean = sum((cosine_and_sine_of(near * height)[0] for height in heights[: _NODES // 2]), start=np.zeros_like(near))
    cosines, sines = cosine_and_sine_of(far - math.pi / 4)
    even, odd, term = np.zeros_like(far), np.zeros_like(far), np.ones_like(far)
    for k in range(24):
        sign = -1.0 if k % 4 >= 2 else 1.0
        if k % 2:
            odd = odd + sign * term
        else:
            even = even + sign * term
        term = term * (-((2 * k + 1) ** 2) / (8 * (k + 1))) / far
    asymptotic = np.sqrt(2 / (math.pi * far)) * (even * cosines - odd * sines)
    return np.where(given < _FAR, mean / (_NODES // 2), asymptotic)
