"""Clocked lines: spikes taken out, and clocks that are too irregular to be one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wavewright.buses.columns import Flags, Indexes
from wavewright.buses.logic import Line
from wavewright.buses.ragged import reduced

NARROW = 0.25  # of the mean high pulse of the same frame: a clock pulse below that is none


def without_spikes(line: Line, width: float) -> Line:
    """The line after a filter that lets no pulse shorter than `width` (s) pass, as an input with spike suppression.

    In a burst of short pulses nothing is believed before the line has kept still for `width`.
    """
    times = line.times
    if not width > 0 or times.size < 2:
        return line
    begins = np.flatnonzero(np.concatenate([[True], np.diff(times) >= width]))
    behind = np.append(begins[1:], times.size)
    return replace(line, times=times[behind[(behind - begins) % 2 == 1] - 1])


def irregular(clock: Line, places: Indexes, first: Indexes, last: Indexes, *, narrow: float = NARROW) -> Flags:
    """Which runs of clock edges hold a pulse too narrow to belong to the same clock.

    Parameters
    ----------
    narrow : of the mean high pulse of the run; a pulse below that is too narrow.
    places : indices in `clock.times` of edges of one direction; run k is `places[first[k]:last[k]]`.
    """
    if not places.size:
        return np.zeros(first.size, dtype=np.bool_)
    widths = np.concatenate([[np.inf], np.diff(clock.times), [np.inf]])
    before, behind = widths[places], widths[places + 1]
    total = reduced(np.add, np.where(np.isfinite(behind), behind, 0.0), first, last, empty=0.0)
    mean = total / np.maximum(last - first, 1)
    shortest = reduced(np.minimum, np.minimum(behind, before), first, last, empty=np.inf)
    return np.asarray((shortest < narrow * mean) & (last - first > 2))
