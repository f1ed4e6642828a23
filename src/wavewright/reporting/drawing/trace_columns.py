"""A trace in the columns of a drawing: the lowest and the highest sample of each, so that none is ever lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wavewright.reporting.drawing.scale import AxisScale
from wavewright.reporting.layers import TraceLayer

Floats = npt.NDArray[np.float64]
AROUND = 8  # columns on each side that tell a spread from an edge
MOST = 0.7  # of those are tall in a spread


@dataclass(frozen=True, slots=True, eq=False)
class DrawnColumns:
    """Lowest, highest and mean value of each column, shape (n,); NaN where there is none."""

    lows: Floats
    highs: Floats
    means: Floats


def drawn_columns(trace: TraceLayer, scale: AxisScale, count: int) -> DrawnColumns:
    """The trace between the ends of an axis, in `count` columns of equal width.

    The line between two points belongs to every column that it passes through, so neighbouring columns meet.

    Parameters
    ----------
    scale : of the horizontal axis.
    """
    low, high, mean = (np.asarray(line, dtype=np.float64) for line in (trace.low(), trace.high(), trace.values))
    edges = np.linspace(scale.low, scale.high, count + 1)
    low_edges, high_edges = (_between(line, (edges - trace.start) / trace.step) for line in (low, high))
    lows, highs = np.fmin(low_edges[:-1], low_edges[1:]), np.fmax(high_edges[:-1], high_edges[1:])
    times = trace.start + trace.step * np.arange(mean.size)
    is_inside = (times >= scale.low) & (times <= scale.high)
    column = np.minimum((times[is_inside] - scale.low) / (scale.high - scale.low) * count, count - 1).astype(np.int64)
    np.fmin.at(lows, column, low[is_inside])
    np.fmax.at(highs, column, high[is_inside])
    sums, numbers = np.zeros(count), np.zeros(count)
    valid = np.isfinite(mean[is_inside])
    np.add.at(sums, column[valid], mean[is_inside][valid])
    np.add.at(numbers, column[valid], 1.0)
    with np.errstate(invalid="ignore"):
        means = sums / np.where(numbers, numbers, np.nan)
    return DrawnColumns(lows, highs, np.where(np.isnan(means), (lows + highs) / 2, means))


def in_spread(tall: Floats, *, least: float) -> npt.NDArray[np.bool_]:
    """Which columns are tall among others that are: those of a spread, and not an edge by itself.

    Parameters
    ----------
    tall : height of each column, shape (n,); least : what counts as tall, in the same unit.
    """
    is_tall = np.nan_to_num(tall) > least
    beside = np.convolve(np.pad(is_tall, AROUND, mode="edge"), np.ones(2 * AROUND + 1), mode="valid")
    found: npt.NDArray[np.bool_] = beside > MOST * (2 * AROUND + 1)
    return found


def _between(line: Floats, places: Floats) -> Floats:
    """The values of a line at places between its points, counted in points; NaN beyond its ends and in its gaps."""
    found = np.full(places.shape, np.nan)
    is_within = (places >= 0) & (places <= line.size - 1)
    index = np.floor(places[is_within]).astype(np.int64)
    share = places[is_within] - index
    after = np.minimum(index + 1, line.size - 1)
    found[is_within] = np.where(share > 0, (1 - share) * line[index] + share * line[after], line[index])
    return found
