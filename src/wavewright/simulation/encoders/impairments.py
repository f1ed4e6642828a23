"""What goes wrong between a chip and a probe: skew, jitter, a clock that is off, spikes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wavewright.buses.line.logic import Line


def skewed(line: Line, delay: float) -> Line:
    """The same line, later by a delay (s); the record's ends stay."""
    times = line.times + delay
    before = int(np.count_nonzero(times <= line.start))
    kept = times[(times > line.start) & (times < line.end)]
    return replace(line, first=line.first ^ bool(before & 1), times=kept)


def jittered(line: Line, deviation: float, generator: np.random.Generator) -> Line:
    """Every edge moved by a normal deviate (s), yet never past half way to its neighbour: edges do not overtake."""
    if not line.times.size or not deviation:
        return line
    room = np.diff(np.concatenate([[line.start], line.times, [line.end]])) / 2
    moves = np.clip(generator.normal(0.0, deviation, line.times.size), -0.99 * room[:-1], 0.99 * room[1:])
    return replace(line, times=line.times + moves)


def off_rate(line: Line, error: float) -> Line:
    """The same line from a clock that is fast by a ratio (0.03: 3 % too fast); time begins at the line's start."""
    scale = 1.0 / (1.0 + error)
    return replace(
        line, times=line.start + (line.times - line.start) * scale, end=line.start + (line.end - line.start) * scale
    )


def asymmetric(line: Line, *, rise: float = 0.0, fall: float = 0.0) -> Line:
    """Rising edges later by one delay and falling ones by another (s); the line must leave room for it."""
    times = line.times.copy()
    times[int(line.first) :: 2] += rise
    times[int(not line.first) :: 2] += fall
    return replace(line, times=times)


def spiked(line: Line, instant: float, width: float) -> Line:
    """A pulse of the other level on the line: begins at `instant`, lasts `width` (s), with no edge inside it."""
    times = np.sort(np.concatenate([line.times, [instant, instant + width]]))
    return replace(line, times=times)


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
