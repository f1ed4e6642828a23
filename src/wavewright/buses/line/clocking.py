"""Clocked lines: spikes taken out, and clocks that are too irregular to be one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wavewright.buses.line.columns import Flags, Indexes
from wavewright.buses.line.logic import Line
from wavewright.buses.line.ragged import batches, reduce_each
from wavewright.waveform import Floats

SMALL = 1 << 14  # edges
WINDOW = 1 << 16  # edges: what is made of them stays in the cache
NARROW_DATA = 0.3  # of a clock period: a pulse of a data line below that is none of the data
SOON, MOST_SOON = 0.6, 2  # of a clock period, and so often in a row: what a spike makes of one clock
FEW = 2  # edges, which make no clock yet
ROUNDING = 1e-9  # of a mean: more than sums of pulses are off by
NARROW = 0.25  # of the mean high pulse of the same frame: a clock pulse below that is none


def without_spikes(line: Line, width: float) -> Line:
    """The line after a filter that lets no pulse shorter than `width` (s) pass, as an input with spike suppression.

    In a burst of short pulses nothing is believed before the line has kept still for `width`.
    """
    times = line.times
    if not width > 0 or times.size < 2:
        return line
    begins = np.flatnonzero(np.concatenate([[True], np.diff(times) >= width]))
    after = np.append(begins[1:], times.size)
    return replace(line, instants=times[after[(after - begins) % 2 == 1] - 1], states=None)


def pulses(clock: Line, places: Indexes | range) -> tuple[Floats, Floats]:
    """Widths, s, of the pulses before and after some edges; infinite where the record cuts them off.

    Parameters
    ----------
    places : indices in `clock.times`, ascending.
    """
    times = clock.times
    if isinstance(places, range) and places and places[0] > 0 and places[-1] < times.size - 1:
        at, last, next_ = (times[places.start + shift : places[-1] + 1 + shift : places.step] for shift in (0, -1, 1))
        return at - last, next_ - at
    index = np.arange(places.start, places.stop, places.step) if isinstance(places, range) else places
    at = times.take(index)
    before = at - times.take(index - 1, mode="clip")
    after = times.take(index + 1, mode="clip") - at
    before[:1][index[:1] == 0] = np.inf
    after[-1:][index[-1:] == times.size - 1] = np.inf
    return before, after


def irregular(clock: Line, places: Indexes | range, first: Indexes, last: Indexes, *, narrow: float = NARROW) -> Flags:
    """Which runs of clock edges hold a pulse too narrow to belong to the same clock.

    Parameters
    ----------
    narrow : of the mean high pulse of the run; a pulse below that is too narrow.
    places : indices in `clock.times` of edges of one direction; run k is `places[first[k]:last[k]]`, ascending.
    """
    found = np.zeros(first.size, dtype=np.bool_)
    if _is_surely_regular_in_runs(clock, places, first, last, narrow):
        return found
    for runs in batches(first, last, WINDOW):
        base = first[runs.start]
        begin, end = first[runs] - base, last[runs] - base
        part = places[base : last[runs.stop - 1]]
        if _is_surely_regular(clock, part, narrow):
            continue
        before, after = pulses(clock, part)
        beside = np.minimum(before, after)
        after[-1:][np.isinf(after[-1:])] = 0.0
        if beside.min(initial=np.inf) >= narrow * after.max(initial=0.0):
            continue  # no mean is longer than the longest
        shortest = reduce_each(np.minimum, beside, begin, end, empty=np.inf)
        mean = reduce_each(np.add, after, begin, end, empty=0.0) / np.maximum(end - begin, 1)
        found[runs] = (shortest < narrow * mean) & (end - begin > FEW)
    return found


def _is_surely_regular_in_runs(
    clock: Line, places: Indexes | range, first: Indexes, last: Indexes, narrow: float
) -> bool:
    """No pulse is too narrow for any run: its high pulses last no longer together than the run itself."""
    counts = last - first
    long = np.flatnonzero(counts > FEW)
    if not long.size:
        return True
    begin, end = first.take(long), last.take(long) - 1
    if isinstance(places, range):
        begin, end = (places.start + places.step * each for each in (begin, end))
    else:
        begin, end = (places.take(each) for each in (begin, end))
    times = clock.times
    longest = (times.take(end + 1, mode="clip") - times.take(begin)) / counts.take(long)
    return clock.is_surely_apart(narrow * float(longest.max()) * (1 + ROUNDING))


def _is_surely_regular(clock: Line, places: Indexes | range, narrow: float) -> bool:
    """No pulse beside the edges is too narrow, whatever the mean is."""
    if not isinstance(places, range) or not places or places[0] == 0 or places[-1] + 1 == clock.times.size:
        return False
    widths = np.diff(clock.times[places[0] - 1 : places[-1] + 2])  # before and after each edge in turn
    return bool(widths.min() >= narrow * widths[1::2].max())


def spiked(data: Line, edges: Floats, *, narrow: float) -> Flags:
    """Which of some edges read a data line inside a pulse shorter than `narrow`, s: it is none of the data."""
    found = np.zeros(edges.size, dtype=np.bool_)
    if data.is_surely_apart(narrow) or not _any_below(data.times, narrow):
        return found
    places = np.flatnonzero(np.diff(data.times) < narrow)
    if places.size and edges.size:
        first = np.searchsorted(edges, data.times[places])
        inside = (first < edges.size) & (edges.take(first, mode="clip") <= data.times[places + 1])
        found[first[inside]] = True
    return found


def too_soon(edges: Floats, period: float) -> Flags:
    """Which clock edges come so soon after the one before, or are followed so soon, that one of both is a spike.

    More than two in a row are a faster clock.
    """
    found = np.zeros(edges.size, dtype=np.bool_)
    if not _any_below(edges, SOON * period):
        return found
    short = np.diff(edges) < SOON * period
    turns = np.flatnonzero(np.diff(np.concatenate([[False], short, [False]]).astype(np.int8)))
    for begin, end in turns.reshape(-1, 2).tolist():
        if end - begin <= MOST_SOON:
            found[begin : end + 1] = True
    return found


def _any_below(times: Floats, limit: float) -> bool:
    """Whether any two neighbours are closer than that, s; a window at a time."""
    parts = (times[begin : begin + SMALL + 1] for begin in range(0, times.size - 1, SMALL))
    return any(bool((part[1:] - part[:-1]).min() < limit) for part in parts)
