"""Clocked lines: spikes taken out, and clocks that are too irregular to be one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wavewright.buses.columns import Flags, Indexes
from wavewright.buses.logic import Line
from wavewright.buses.ragged import reduced, together
from wavewright.waveform import Floats

WINDOW = 1 << 14  # edges: what is made of them fits the second-level cache
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
    return replace(line, times=times[behind[(behind - begins) % 2 == 1] - 1], states=None)


def pulses(clock: Line, places: Indexes) -> tuple[Floats, Floats]:
    """Widths, s, of the pulses before and behind some edges; infinite where the record cuts them off.

    Parameters
    ----------
    places : indices in `clock.times`, ascending.
    """
    times = clock.times
    at = times.take(places)
    before = at - times.take(places - 1, mode="clip")
    behind = times.take(places + 1, mode="clip") - at
    if places.size and places[0] == 0:
        before[0] = np.inf
    if places.size and places[-1] == times.size - 1:
        behind[-1] = np.inf
    return before, behind


def irregular(clock: Line, places: Indexes | range, first: Indexes, last: Indexes, *, narrow: float = NARROW) -> Flags:
    """Which runs of clock edges hold a pulse too narrow to belong to the same clock.

    Parameters
    ----------
    narrow : of the mean high pulse of the run; a pulse below that is too narrow.
    places : indices in `clock.times` of edges of one direction; run k is `places[first[k]:last[k]]`, ascending.
    """
    found = np.zeros(first.size, dtype=np.bool_)
    for runs in together(first, last, WINDOW):
        base = first[runs.start]
        begin, end = first[runs] - base, last[runs] - base
        part = places[base : last[runs.stop - 1]]
        edges = np.arange(part.start, part.stop, part.step) if isinstance(part, range) else part
        before, behind = pulses(clock, edges)
        shortest = reduced(np.minimum, np.minimum(before, behind), begin, end, empty=np.inf)
        behind[-1:][np.isinf(behind[-1:])] = 0.0
        mean = reduced(np.add, behind, begin, end, empty=0.0) / np.maximum(end - begin, 1)
        found[runs] = (shortest < narrow * mean) & (end - begin > 2)
    return found
