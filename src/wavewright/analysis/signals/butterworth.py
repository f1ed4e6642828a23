"""Butterworth filters as second-order sections, alike bit for bit on every system.

The poles of the low pass of cut-off 1 lie evenly on the left half of the unit circle. They are brought to the band on
the analogue side, and to samples by the bilinear transform, with the cut-offs bent beforehand so that they stay where
they are (Oppenheim and Schafer, "Discrete-Time Signal Processing", 7.1 †).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from wavewright.analysis.elementary.turns import sine

if TYPE_CHECKING:
    import numpy.typing as npt

Sections: TypeAlias = "npt.NDArray[np.float64]"  # shape (sections, 6)
Band = Literal["lowpass", "highpass", "bandpass"]
Quadratic = tuple[float, float]  # a and b of s² + a·s + b


def butterworth_sections(order: int, relative: tuple[float, ...], band: Band) -> Sections:
    """Sections b0 b1 b2 1 a1 a2, each with a gain of its own.

    Parameters
    ----------
    order : of the low pass that it is made from, ≥ 1.
    relative : one cut-off, or two for a band pass, over half the sampling rate; 3 dB points.
    """
    bent = [sine(one / 4) / sine(0.25 - one / 4) for one in relative]
    # the quadratic of each pair of poles of the low pass of cut-off 1, and its one real pole
    pairs = [2 * sine((2 * k + 1) / (4 * order)) for k in range(order // 2)]
    if band == "bandpass":
        width, square = bent[1] - bent[0], bent[1] * bent[0]
        quadratics = [one for damping in pairs for one in _of_band(damping, width, square)]
        quadratics += [(width, square)] * (order % 2)
        return np.array([_section((width, 0.0, -width), one) for one in quadratics])
    cutoff = bent[0]
    scale = cutoff if band == "lowpass" else 1.0
    sign = 1.0 if band == "lowpass" else -1.0
    square = scale * scale
    sections = [_section((square, 2 * sign * square, square), (one * cutoff, cutoff * cutoff)) for one in pairs]
    if order % 2:
        whole = 1 + cutoff
        sections.insert(0, [scale / whole, sign * scale / whole, 0.0, 1.0, (cutoff - 1) / whole, 0.0])
    return np.array(sections)


def _section(numerator: tuple[float, float, float], quadratic: Quadratic) -> list[float]:
    """After the bilinear transform."""
    a, b = quadratic
    whole = 1 + a + b
    return [*(one / whole for one in numerator), 1.0, 2 * (b - 1) / whole, (1 - a + b) / whole]


def _of_band(damping: float, width: float, square: float) -> tuple[Quadratic, Quadratic]:
    """The two quadratics that one of the low pass becomes: each pole p turns into those of s² − p·width·s + square."""
    real, imaginary = -damping / 2 * width, math.sqrt(1 - damping * damping / 4) * width
    # the root of (p·width)² − 4·square
    along, across = real * real - imaginary * imaginary - 4 * square, 2 * real * imaginary
    size = math.hypot(along, across)
    if along >= 0:
        root = math.sqrt((size + along) / 2)
        other = across / (2 * root)
    else:
        other = math.copysign(math.sqrt((size - along) / 2), across)
        root = across / (2 * other)
    poles = [((real + sign * root) / 2, (imaginary + sign * other) / 2) for sign in (1, -1)]
    first, second = [(-2 * x, x * x + y * y) for x, y in poles]
    return first, second
