"""Bit rates: of a line whose rate is not known, and how far one that is known is off."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.elementary.exponentials import square
from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.buses.line.logic import Line
    from wavewright.waveform import Floats

LOOKED_AT = 20_000  # intervals: enough for a part in a million, and no pass over a long record
LONGEST_RUN = 12  # bits: longer intervals are pauses and say nothing
FAR, CLOSE = 0.25, 0.05  # bits: so far from a multiple of a bit an edge is none of the frame's, so close it fits
DOUBTED = 0.02  # so far from the assumed rate another one may fit as well
UNLIKELY, MOST_UNLIKELY = 2.0, 0.02  # what a rate has to explain better, times its deviation squared, and at most
WIDEST, STEP, TRIED = 0.1, 0.0025, 512  # rates around the assumed one that are compared, and by how many edges
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


def rate_scale(places: Floats, every: Floats | None = None) -> tuple[float, float]:
    """Measured duration of a bit over the assumed one, and its standard uncertainty.

    Parameters
    ----------
    places : distances of edges from the first edge of their frame, in assumed bits, shape (n,). Near ones are examined
        first, so that a rate that is some per cent off does not make the far ones count for the wrong bit.
    every : more of them, which decide between rates where `places` fit several or hold glitches; None: `places`.

    Returns
    -------
    1.0 and infinity where there is no edge to compare. Edges far from any multiple of a bit, as glitches have, do not
    count in the end.
    """
    if not places.size:
        return 1.0, np.inf
    every = places if every is None or not every.size else every
    scale = 1.0
    for limit in (2.5, 4.5, 7.5, np.inf):
        near = places[(places > 0.5 * scale) & (places < (limit * scale if np.isfinite(limit) else np.inf))]
        if near.size:
            counts = np.rint(near / scale)
            scale = float((near * counts).sum()) / float((counts * counts).sum())
    if abs(scale - 1) > DOUBTED or _misfits(every[:TRIED], np.array([scale]))[0] > 0:
        tried = np.append(1 + np.arange(-WIDEST, WIDEST + STEP, STEP), scale)
        tried = tried[np.argsort(np.abs(tried - 1), kind="stable")]
        unlikely = np.minimum(UNLIKELY * square(tried - 1), MOST_UNLIKELY)
        scale = float(tried[np.argmin(_misfits(every[:TRIED], tried) + unlikely)])
    counts = np.maximum(np.rint(places / scale), 1.0)
    left = places - scale * counts
    kept = np.abs(left) <= FAR
    if not kept.any():
        return scale, np.inf
    places, counts = places[kept], counts[kept]
    weight = float((counts * counts).sum())
    scale = float((places * counts).sum()) / weight
    left = places - scale * counts
    return scale, float(np.sqrt((left * left).sum() / max(places.size - 1, 1) / weight))


def _misfits(places: Floats, scales: Floats) -> Floats:
    """How badly some edges fit each of some rates: the mean square of what is left, no edge counting for too much."""
    counted = places[None, :] / scales[:, None]
    left = np.minimum(np.abs(counted - np.rint(counted)), FAR)
    fits: Floats = np.where(left > CLOSE, left * left, 0.0).mean(axis=1)
    return fits
