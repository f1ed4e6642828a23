"""From two-state lines to voltages: straight edges of a given duration, noise, and the converter's codes."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from wavewright.buses.line.logic import Line
from wavewright.waveform import Floats, Waveform


def corners(
    line: Line, *, low: float = 0.0, high: float = 3.3, rise_time: float = 0.0, fall_time: float | None = None
) -> tuple[Floats, Floats]:
    """The corners of a piecewise-linear voltage: times (s, ascending) and volts, shape (2 m + 2,).

    An edge is a straight line from one level to the other about the instant of the change: it passes the middle there.
    An edge that the next one overtakes turns back where they meet.

    Parameters
    ----------
    low, high : V.
    rise_time, fall_time : whole duration of an edge, s (0 % to 100 %); falling as rising where None.
    """
    falling = rise_time if fall_time is None else fall_time
    levels = (np.arange(line.times.size + 1) & 1 != 0) ^ line.first
    volts = np.where(levels, high, low)
    lasting = np.where(levels[1:], rise_time, falling)
    begins, ends = line.times - lasting / 2, line.times + lasting / 2
    times = np.empty(2 * line.times.size + 2)
    times[0], times[-1] = line.start, line.end
    times[1:-1:2], times[2:-1:2] = begins, ends
    heights = np.repeat(volts, 2)
    _meet(times, heights)
    if times.size > 2:
        times[0], times[-1] = min(times[0], times[1]), max(times[-1], times[-2])
    return times, heights


def _meet(times: Floats, heights: Floats) -> None:
    """Where an edge begins before the last one has ended, put both corners where the two lines meet."""
    ends, begins = times[2:-2:2], times[3:-1:2]
    for k in np.flatnonzero(begins < ends).tolist():
        corner = 2 * k + 2
        (t0, t1, t2, t3), (v0, v1, v2, v3) = times[corner - 1 : corner + 3], heights[corner - 1 : corner + 3]
        up, down = (v1 - v0) / (t1 - t0) if t1 > t0 else np.inf, (v3 - v2) / (t3 - t2) if t3 > t2 else -np.inf
        if np.isfinite(up) and np.isfinite(down) and up != down:
            meeting = (v2 - v0 + up * t0 - down * t2) / (up - down)
        else:
            meeting = (t1 + t2) / 2
        meeting = min(max(meeting, t0), t3)
        height = v0 + up * (meeting - t0) if np.isfinite(up) else v1
        times[corner], times[corner + 1] = meeting, meeting
        heights[corner], heights[corner + 1] = height, height


def voltage_at(instants: npt.NDArray[Any], line: Line, **drawn: float) -> Floats:
    """The voltage of a line at some instants (s); `drawn` as for `corners`."""
    times, volts = corners(line, **drawn)
    return np.asarray(np.interp(instants, times, volts), dtype=np.float64)


def draw(
    line: Line,
    *,
    rate: float,
    low: float = 0.0,
    high: float = 3.3,
    rise_time: float = 0.0,
    fall_time: float | None = None,
    noise: float = 0.0,
    generator: np.random.Generator | None = None,
    bits: int | None = 8,
    name: str = "",
    phase: float = 0.0,
) -> Waveform:
    """A record of a line as a converter brings it.

    Parameters
    ----------
    rate : samples per second.
    low, high : state levels, V. The range of the converter is twice their distance about their middle.
    rise_time, fall_time : whole duration of an edge, s.
    noise : standard deviation, V; needs a `generator`.
    bits : of the converter; None gives float64 volts.
    phase : how much later than the line's start the first sample is taken, in sample intervals, 0 … 1.
    """
    count = max(int(np.floor((line.end - line.start) * rate - phase + 1e-6)), 1)
    instants = line.start + (np.arange(count) + phase) / rate
    falling = rise_time if fall_time is None else fall_time
    if rise_time or falling:
        volts = voltage_at(instants, line, low=low, high=high, rise_time=rise_time, fall_time=falling)
    else:
        volts = np.where(line.is_high(instants), high, low)
    if noise and generator is not None:
        volts = volts + generator.normal(0.0, noise, count)
    start, interval = float(instants[0]), 1.0 / rate
    if bits is None:
        return Waveform.from_volts(volts, interval=interval, start=start, name=name)
    half, gain, offset = 2 ** (bits - 1), 2 * (high - low) / 2**bits, (high + low) / 2
    codes = np.clip(np.rint((volts - offset) / gain), -half, half - 1).astype(np.int8 if bits <= 8 else np.int16)
    return Waveform(
        codes, gain=gain, offset=offset, interval=interval, start=start, name=name, code_range=(-half, half - 1)
    )
