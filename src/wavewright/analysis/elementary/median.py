"""The median of a few values, without what NumPy's own spends on axes and kinds of arrays."""

from __future__ import annotations

import math

import numpy as np

from wavewright.waveform import Floats

FEW = 1 << 10  # values, up to which sorting all of them is the shortest way


def median(values: Floats) -> float:
    """The value in the middle, or the mean of the two there; not a number where one of them, or nothing, is none.

    The same as `numpy.median`, to the last bit.

    Parameters
    ----------
    values : shape (n,), in any order.
    """
    if not values.size:
        return math.nan
    half = values.size // 2
    if values.size <= FEW:
        ordered = values.copy()
        ordered.sort()
        last = ordered[-1]
    else:
        ordered = np.partition(values, (half - 1, half, values.size - 1))
        last = ordered[-1]
    if math.isnan(last):  # NumPy puts them at the end
        return math.nan
    if values.size % 2:
        return float(ordered[half])
    return float((ordered[half - 1] + ordered[half]) / 2)
