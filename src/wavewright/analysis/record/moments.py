"""Moments of a record or a segment of it: number, mean and mean square of the codes, without a copy in floats."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.record.blocks import blocks
from wavewright.analysis.record.histogram import Histogram, finite_values, histogram_of
from wavewright.waveform import Codes


@dataclass(frozen=True, slots=True)
class Moments:
    """Number of valid samples, the mean of their codes, and the mean square of the distance from that mean."""

    count: int
    mean: float
    variance: float


def moments_of(codes: Codes, histogram: Histogram | None = None) -> Moments:
    """Moments of all finite samples; of integers exact to float64 rounding.

    Parameters
    ----------
    histogram : of the same codes, where it has been taken already.
    """
    if codes.dtype.kind == "f":
        return _of_floats(codes)
    counted = histogram if histogram is not None else histogram_of(codes)
    return moments_of_histogram(counted) if counted.is_exact else _of_floats(codes)


def moments_of_histogram(histogram: Histogram) -> Moments:
    """Moments of what an exact histogram has counted."""
    count = histogram.total
    if not count:
        return Moments(0, 0.0, 0.0)
    origin = histogram.codes[0]  # from the lowest code, the sum of whole numbers stays whole
    mean = origin + float(((histogram.codes - origin) * histogram.counts).sum()) / count
    variance = float((square(histogram.codes - mean) * histogram.counts).sum()) / count
    return Moments(count, mean, variance)


def subtract_histograms(whole: Histogram, part: Histogram) -> Histogram:
    """What remains of a histogram when a part of its samples is taken away."""
    counts = whole.counts.copy()
    counts[np.searchsorted(whole.codes, part.codes)] -= part.counts
    left = counts > 0
    return Histogram(whole.codes[left], counts[left], whole.is_exact)


def _of_floats(codes: Codes) -> Moments:
    """Two sums of distances from a sample of the record, so that a huge offset costs no digits."""
    origin, count = 0.0, 0
    sums: list[float] = []
    squares: list[float] = []
    for block in blocks(codes):
        values = finite_values(block)
        if not values.size:
            continue
        if not count:
            origin = float(np.median(values[:1024]))
        values -= origin
        count += values.size
        sums.append(float(values.sum()))
        with np.errstate(over="ignore"):  # a sum beyond float64 is infinite, and whoever reports it says so
            squares.append(float(np.square(values, out=values).sum()))
    if not count:
        return Moments(0, 0.0, 0.0)
    shift = math.fsum(sums) / count
    square = math.fsum(squares) / count if all(map(math.isfinite, squares)) else math.inf
    return Moments(count, origin + shift, max(0.0, square - shift * shift) if square < math.inf else math.inf)
