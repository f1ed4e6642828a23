"""Cosines and sines of turns."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from wavewright.waveform import Floats

if TYPE_CHECKING:
    import numpy.typing as npt

# Taylor's series for an angle of π/4 at most: the first term left out is below 2**-60
_OF_COSINE = [(-1) ** k / math.factorial(2 * k) for k in range(10)]
_OF_SINE = [(-1) ** k / math.factorial(2 * k + 1) for k in range(10)]


def cosine_and_sine(turns: npt.ArrayLike) -> tuple[Floats, Floats]:
    """cos 2πx and sin 2πx, to 2**-51, for turns x of any shape.

    Examples
    --------
    >>> cosine, sine = cosine_and_sine([0, 0.25, 0.5])
    >>> [float(value) for value in cosine], [float(value) for value in sine]
    ([1.0, 0.0, -1.0], [0.0, 1.0, 0.0])
    """
    given = np.asarray(turns, dtype=np.float64)
    quarters = np.round(4 * given)
    angles = 2 * math.pi * (given - quarters / 4)
    return of_eighths(angles, quarters.astype(np.int64))


def of_eighths(angles: Floats, quarters: npt.NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Cosine and sine of angles of an eighth of a turn at most, rad, turned further by whole quarters."""
    squares = angles * angles
    cosine, sine = _series(_OF_COSINE, squares), angles * _series(_OF_SINE, squares)
    quadrant = quarters % 4
    is_odd, is_low = quadrant % 2 == 1, quadrant >= 2
    turned = np.where(is_odd, -sine, cosine), np.where(is_odd, cosine, sine)
    # adding 0 makes the 0 of a quarter turn a positive one
    return np.where(is_low, -turned[0], turned[0]) + 0.0, np.where(is_low, -turned[1], turned[1]) + 0.0


def sine(turns: float) -> float:
    """sin 2πx of one number, as `cosine_and_sine` has it."""
    quarters = round(4 * turns)
    angle = 2 * math.pi * (turns - quarters / 4)
    coefficients, total = _OF_COSINE if quarters % 2 else _OF_SINE, 0.0
    for coefficient in reversed(coefficients):
        total = total * (angle * angle) + coefficient
    value = total if quarters % 2 else angle * total
    return (-value if quarters % 4 >= 2 else value) + 0.0


def sinc(x: npt.ArrayLike) -> Floats:
    """sin πx / πx; 1 at 0."""
    given = np.asarray(x, dtype=np.float64)
    safe = np.where(given == 0, 1.0, given)
    return np.where(given == 0, 1.0, cosine_and_sine(safe / 2)[1] / (math.pi * safe))


def _series(coefficients: list[float], squares: Floats) -> Floats:
    total = np.full_like(squares, coefficients[-1])
    for coefficient in coefficients[-2::-1]:
        total = total * squares + coefficient
    return total
