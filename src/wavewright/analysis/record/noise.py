"""Noise of a record: what its samples scatter by, whatever the signal beneath does slowly."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.analysis.record.histogram import Histogram
    from wavewright.waveform import Codes

SEGMENTS = 16
SEGMENT = 1024

DIFFERENCES = ((2, 6.0), (4, 70.0))  # order, and the variance that it gives white noise of variance 1 (math)

WIDE_ENOUGH = {"i1": "i2", "u1": "i2", "i2": "i4", "u2": "i4"}  # fourth differences reach eight times the range (math)

MEDIAN_OF_NORMAL = 0.6744897501960817  # median of |x| for a standard normal x (math)


def noise_code(codes: Codes) -> float:
    """Standard deviation of white noise on a record, in codes; 0 where most samples repeat their neighbours.

    From the median size of the second difference x[k−1] − 2·x[k] + x[k+1], whose variance under white noise is 6 times
    that of a sample (math), or of the fourth, with 70 times, whichever tells less: what is left of a signal of n
    samples per period is about (2π/n)² and (2π/n)⁴ of it. Over at most 16 segments of 1024 samples; the median leaves
    out the transitions.
    """
    firsts = np.linspace(0, max(codes.size - SEGMENT, 0), SEGMENTS).astype(np.int64)
    exact = WIDE_ENOUGH.get(codes.dtype.str[1:], "f8")
    segments = [codes[first : first + SEGMENT].astype(exact) for first in np.unique(firsts)]
    is_whole = codes.dtype.kind in "iu"
    found = [_median_size(segments, order, is_whole=is_whole) / math.sqrt(gain) for order, gain in DIFFERENCES]
    return min(found) / MEDIAN_OF_NORMAL


def _median_size(segments: list[npt.NDArray[Any]], order: int, *, is_whole: bool) -> float:
    """Median size of a difference; of records that are too short for it infinite, but for the lowest one.

    Of whole codes each size stands for all within half a code of it, so that the median is not a whole number.
    """
    sizes = np.abs(_differences(segments, order))
    if not is_whole:
        sizes = sizes[np.isfinite(sizes)]
    if not sizes.size:
        return 0.0 if order == DIFFERENCES[0][0] else math.inf
    median = float(np.partition(sizes, sizes.size // 2)[sizes.size // 2])
    if not is_whole or not median:
        return median
    below, here = np.count_nonzero(sizes < median), np.count_nonzero(sizes == median)
    return median - 0.5 + float((sizes.size / 2 - below) / here)


def _differences(segments: list[npt.NDArray[Any]], order: int) -> npt.NDArray[Any]:
    """Differences of an order of all segments that are long enough, one after the other."""
    if segments and all(one.size == segments[0].size for one in segments):
        return np.diff(np.stack(segments), order).ravel()
    return np.concatenate([np.diff(one, order) for one in segments if one.size > order] or [np.empty(0)])


def state_scatter(histogram: Histogram, low: float, high: float) -> float:
    """Robust standard deviation of the samples about the state that each is nearer to, in codes; the larger of both.

    From the median distance from the state level, which for a normal distribution is 0.674 standard deviations (math).
    Samples on transitions are in it, so that it is an upper bound where the waveform seldom stays at a level. Of a bin
    its samples may lie half its width further from the level than the bin.

    Parameters
    ----------
    low, high : state levels in codes, low < high.
    """
    split = int(np.searchsorted(histogram.codes, (low + high) / 2))
    parts = ((slice(0, split), low), (slice(split, None), high))
    found = max(_median_distance(histogram.codes[p], histogram.counts[p], level) for p, level in parts)
    return (found + histogram.bin_width / 2) / MEDIAN_OF_NORMAL


def _median_distance(codes: npt.NDArray[np.float64], counts: npt.NDArray[np.int64], level: float) -> float:
    """The smallest distance from a level within which half of the samples lie."""
    if not codes.size:
        return 0.0
    upto, ascending = [0, *np.cumsum(counts).tolist()], codes.tolist()
    near, far = 0.0, max(abs(ascending[0] - level), abs(ascending[-1] - level))
    for _ in range(24):  # to within 2⁻²⁴ of the largest distance
        middle = (near + far) / 2
        begin, end = bisect_left(ascending, level - middle), bisect_right(ascending, level + middle)
        near, far = (near, middle) if 2 * (upto[end] - upto[begin]) >= upto[-1] else (middle, far)
    return near
