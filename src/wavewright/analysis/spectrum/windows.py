"""Windows for spectra: weighted sums of cosines, in the periodic form that a discrete Fourier transform needs.

Coherent gain, noise bandwidth, scallop loss as in Proc. IEEE 66 (1978), no. 1, 51–83 †. All of them follow from
the cosine terms alone: math.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np

from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.elementary.turns import cosine_and_sine, sine
from wavewright.analysis.record.blocks import TABLES_BLOCK, spans

if TYPE_CHECKING:
    import numpy.typing as npt

Fill: TypeAlias = "Callable[[npt.NDArray[Any], int], None]"
WindowName = Literal["rectangular", "hann", "hamming", "blackman", "blackman_harris", "flat_top"]


@dataclass(frozen=True, slots=True)
class Window:
    """A window a0 − a1·cos x + a2·cos 2x − …, x = 2π·index/size.

    Parameters
    ----------
    name : as options write it.
    terms : a0, a1, …; the response has its zeros from `len(terms)` bins off the centre onwards.
    lobe : bins on either side of a line that belong to it. 0 for the rectangular window, which is for records of
        whole cycles: there a line is one bin.
    """

    name: str
    terms: tuple[float, ...]
    lobe: int

    @property
    def coherent_gain(self) -> float:
        """Mean of the weights: by so much a line is lowered."""
        return self.terms[0]

    @property
    def noise_bandwidth(self) -> float:
        """Width, in bins, of the rectangle that lets as much white noise pass: (a0² + ½·Σ a²)/a0²."""
        first, *rest = self.terms
        return 1.0 + sum(term * term for term in rest) / (2 * first * first)

    @property
    def lines_in_one(self) -> float:
        """How many neighbouring lines of noise are worth one independent one when powers are summed: NΣw⁴/(Σw²)²."""
        squares = square(self.weights(64))  # exact: sums of cosines up to 4 times 4 turns
        return float(64 * (np.sum(squares * squares)) / square(squares.sum()))

    def response(self, offset: float) -> float:
        """Height of the spectrum `offset` bins off a line, over the height on it; the limit for long records.

        Signed: the factor exp(−jπ·offset) of a window that begins with the record is left out.
        """
        shifts = enumerate(self.terms[1:], start=1)
        sides = sum(term * (_sinc(offset - k) + _sinc(offset + k)) / 2 for k, term in shifts)
        return _sinc(offset) + sides / self.terms[0]

    def side_lobe(self, offset: float) -> float:
        """Upper bound of the response's magnitude `offset` bins off, where that is outside the main lobe."""
        shifts = enumerate(self.terms[1:], start=1)
        # all the sines have one magnitude, and signs that alternate with k
        sides = sum((-1.0) ** k * term * (1 / (offset - k) + 1 / (offset + k)) / 2 for k, term in shifts)
        return abs(self.terms[0] / offset + sides) / (math.pi * self.terms[0])

    def weights(self, size: int) -> npt.NDArray[np.float64]:
        """The weights themselves, shape (size,)."""
        values = np.ones(size)
        self.multiply(values)
        return values

    def multiply(self, values: npt.NDArray[Any], *, fill: Fill | None = None) -> None:
        """Multiply a record of floats by the weights, in place and block by block.

        Parameters
        ----------
        fill : puts the samples from an index on into a part of the record; each part is filled when its turn comes, and
            still in the cache when it is multiplied. None: they are there.
        """
        size = values.size
        if len(self.terms) > 1 and size:
            turns = np.arange(min(TABLES_BLOCK, size)) / size
            cosines, sines = (table.astype(values.dtype) for table in cosine_and_sine(turns))
            cosine, weight = np.empty_like(cosines), np.empty_like(cosines)
        for first, last in spans(0, size, TABLES_BLOCK):
            part = values[first:last]
            if fill is not None:
                fill(part, first)
            if len(self.terms) == 1:
                continue
            c, w = cosine[: part.size], weight[: part.size]
            # cos(a + b) from one table: a cosine a block, not a sample
            at_first = [float(value) for value in cosine_and_sine(first / size)]
            np.multiply(cosines[: part.size], at_first[0], out=c)
            np.multiply(sines[: part.size], at_first[1], out=w)
            c -= w
            part *= self.weights_at(c, out=w)

    def weights_at(self, cosines: npt.NDArray[Any], *, out: npt.NDArray[Any] | None = None) -> npt.NDArray[Any]:
        """The weights where the cosine of the angle x has these values, in their precision."""
        weights = np.empty_like(cosines) if out is None else out
        *lower, highest = _powers(self.terms)
        if not lower:
            weights.fill(highest)
            return weights
        np.multiply(cosines, highest, out=weights)
        weights += lower.pop()
        while lower:
            weights *= cosines
            weights += lower.pop()
        return weights


@cache
def _powers(terms: tuple[float, ...]) -> tuple[float, ...]:
    """Coefficients of the powers of cos x, the constant first, of a weighted sum of cosines of its multiples."""
    powers = np.polynomial.chebyshev.cheb2poly([(-1) ** k * term for k, term in enumerate(terms)])
    return tuple(powers.tolist())


def _sinc(x: float) -> float:
    """sin πx / πx."""
    return sine(x / 2) / (math.pi * x) if x else 1.0


_ALL = (
    Window("rectangular", (1.0,), lobe=0),
    Window("hann", (0.5, 0.5), lobe=2),
    Window("hamming", (0.54, 0.46), lobe=2),
    Window("blackman", (0.42, 0.5, 0.08), lobe=3),
    Window("blackman_harris", (0.35875, 0.48829, 0.14128, 0.01168), lobe=4),
    Window("flat_top", (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368), lobe=5),
)
WINDOWS: Mapping[str, Window] = MappingProxyType({window.name: window for window in _ALL})
