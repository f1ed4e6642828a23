"""Cosines and sines of angles in radians, and the angles that belong to them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.elementary.turns import of_eighths
from wavewright.waveform import Floats

if TYPE_CHECKING:
    import numpy.typing as npt

# π/2 in three parts: a whole number of up to 20 bits times one of the first two is exact
_QUARTER = tuple(
    float.fromhex(part) for part in ("0x1.921fb54400000p+0", "0x1.0b4611a600000p-34", "0x1.3198a2e037073p-69")
)
_MOST_QUARTERS = 2**20
_BEYOND_A_TURN = float.fromhex("0x1.1a62633145c07p-52")  # by so much 2π is more than its float64
_EIGHTH = math.tan(math.pi / 8)  # about; the series is good for a little more
_OF_ARC = [(-1) ** k / (2 * k + 1) for k in range(24)]


def cosine_and_sine_of(angles: npt.ArrayLike) -> tuple[Floats, Floats]:
    """cos x and sin x, to 2**-51, for angles x, rad, of any shape and size; not a number for those without end."""
    given = np.asarray(angles, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        if np.abs(given).max(initial=0.0) > 1.5 * _MOST_QUARTERS:
            rest = np.fmod(given, 2 * math.pi)  # exact
            given = rest - np.rint((given - rest) / (2 * math.pi)) * _BEYOND_A_TURN
        quarters = np.rint(given * (2 / math.pi))
        for part in _QUARTER:
            given = given - quarters * part
        return of_eighths(given, np.nan_to_num(quarters).astype(np.int64))


def cosine(angle: float) -> float:
    """cos x of one angle, rad."""
    return float(cosine_and_sine_of(angle)[0])


def sine_of(angle: float) -> float:
    """sin x of one angle, rad."""
    return float(cosine_and_sine_of(angle)[1])


def arctangent(y: float, x: float) -> float:
    """The angle from the x axis to the point (x, y), rad, −π … π; 0 for the origin."""
    across, along = abs(y), abs(x)
    if across > along:
        angle = math.pi / 2 - _first_eighth(along / across)
    else:
        angle = _first_eighth(across / along) if along else 0.0
    return math.copysign(math.pi - angle if x < 0 else angle, y)


def arcsine(ratio: float) -> float:
    """The angle, rad, −π/2 … π/2, whose sine is a ratio, −1 … 1."""
    return arctangent(ratio, math.sqrt((1 - ratio) * (1 + ratio)))


def arccosine(ratio: float) -> float:
    """The angle, rad, 0 … π, whose cosine is a ratio, −1 … 1."""
    return arctangent(math.sqrt((1 - ratio) * (1 + ratio)), ratio)


def _first_eighth(ratio: float) -> float:
    """The arc tangent of a ratio, 0 … 1."""
    if ratio > _EIGHTH:
        return math.pi / 4 + _series((ratio - 1) / (ratio + 1))
    return _series(ratio)


def _series(x: float) -> float:
    square, total = x * x, 0.0
    for coefficient in reversed(_OF_ARC):
        total = total * square + coefficient
    return x * total
