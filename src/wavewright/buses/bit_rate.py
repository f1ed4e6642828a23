"""Bit rates: of a line whose rate is not known, and how far one that is known is off."""

from __future__ import annotations

import numpy as np

from wavewright.buses.logic import Line
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

LOOKED_AT = 20_000  # intervals: enough for a part in a million, and no pass over a long record
LONGEST_RUN = 12  # bits: longer intervals are pauses and say nothing
SHARE_OF_PULSES = 0.02  # of all intervals: fewer short ones than this are taken for glitches


def find_bit_time(line: Line) -> float:
    """Duration of one bit, s: the shortest interval between edges that occurs often, refined by all whole multiples.

    Edges of one direction are compared with each other, so that a slow or late edge of the other does no harm.

    Raises
    ------
    NotMeasurable : fewer than four edges.
    """
    times = line.times[:LOOKED_AT]
    if times.size < 4:
        raise NotMeasurable(
            f"bit rate of `{line.name}`: {times.size} edges",
            expected="at least 4",
            do="give the bit rate, or lengthen the record",
        )
    bit = shortest_pulse(times)
    same = times[2:] - times[:-2]
    for limit in (3.5, 6.5, LONGEST_RUN):
        near = same[same < limit * bit]
        if near.size:
            counts = np.maximum(np.rint(near / bit), 1.0)
            bit = float((near * counts).sum() / (counts * counts).sum())
    return bit


def shortest_pulse(times: Floats) -> float:
    """The middle of the shortest group of intervals between neighbouring edges, s; rare ones below it are glitches."""
    intervals = np.sort(np.diff(times))
    floor = intervals[min(int(SHARE_OF_PULSES * intervals.size), intervals.size - 1)]
    group = intervals[(intervals >= floor) & (intervals < 1.5 * floor)]
    return float(np.median(group))


def rate_scale(places: Floats) -> tuple[float, float]:
    """Measured duration of a bit over the assumed one, and its standard uncertainty.

    Parameters
    ----------
    places : distances of edges from the first edge of their frame, in assumed bits, shape (n,). Near ones are looked at
        first, so that a rate that is some per cent off does not make the far ones count for the wrong bit.

    Returns
    -------
    1.0 and infinity where there is no edge to compare.
    """
    scale, spread = 1.0, np.inf
    for limit in (2.5, 4.5, 7.5, np.inf):
        near = places[(places > 0.5 * scale) & (places < (limit * scale if np.isfinite(limit) else np.inf))]
        if not near.size:
            continue
        counts = np.rint(near / scale)
        weight = float((counts * counts).sum())
        scale = float((near * counts).sum()) / weight
        left = near - scale * counts
        spread = float(np.sqrt((left * left).sum() / max(near.size - 1, 1) / weight))
    return scale, spread
