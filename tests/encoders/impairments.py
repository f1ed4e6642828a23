"""What goes wrong between a chip and a probe: skew, edges of two speeds, spikes, records that end too soon."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wavewright.buses.line.logic import Line


def skewed(line: Line, delay: float) -> Line:
    """The same line, later by a delay (s); the record's ends stay."""
    times = line.times + delay
    before = int(np.count_nonzero(times <= line.start))
    kept = times[(times > line.start) & (times < line.end)]
    return replace(line, first=line.first ^ bool(before & 1), instants=kept)


def asymmetric(line: Line, *, rise: float = 0.0, fall: float = 0.0) -> Line:
    """Rising edges later by one delay and falling ones by another (s); the line must leave room for it."""
    times = line.times.copy()
    times[int(line.first) :: 2] += rise
    times[int(not line.first) :: 2] += fall
    return replace(line, instants=times)


def spiked(line: Line, instant: float, width: float) -> Line:
    """A pulse of the other level on the line: begins at `instant`, lasts `width` (s), with no edge inside it."""
    times = np.sort(np.concatenate([line.times, [instant, instant + width]]))
    return replace(line, instants=times)


def cropped(line: Line, start: float, end: float) -> Line:
    """The part of a line between two instants (s), as a record that begins and ends there sees it."""
    inside = (line.times > start) & (line.times < end)
    return Line(bool(line.is_high(start)), line.times[inside], start, end, line.interval, line.name)


def joined(*lines: Line) -> Line:
    """Lines one after the other in time; a difference of level at a joint becomes an edge."""
    times: list[float] = []
    level = lines[0].first
    for line in lines:
        if line.first != level:
            times.append(line.start)
        times.extend(line.times.tolist())
        level = line.first ^ bool(line.times.size & 1)
    return Line(lines[0].first, np.array(times), lines[0].start, lines[-1].end, lines[0].interval, lines[0].name)
