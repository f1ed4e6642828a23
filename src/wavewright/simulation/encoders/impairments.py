"""What goes wrong between a chip and a probe: jitter, and a clock that is off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wavewright.buses.line.logic import Line


def jittered(line: Line, deviation: float, generator: np.random.Generator) -> Line:
    """Every edge moved by a normal deviate (s), yet never past half way to its neighbour: edges do not overtake."""
    if not line.times.size or not deviation:
        return line
    room = np.diff(np.concatenate([[line.start], line.times, [line.end]])) / 2
    moves = np.clip(generator.normal(0.0, deviation, line.times.size), -0.99 * room[:-1], 0.99 * room[1:])
    return replace(line, instants=line.times + moves)


def off_rate(line: Line, error: float) -> Line:
    """The same line from a clock that is fast by a ratio (0.03: 3 % too fast); time begins at the line's start."""
    scale = 1.0 / (1.0 + error)
    return replace(
        line, instants=line.start + (line.times - line.start) * scale, end=line.start + (line.end - line.start) * scale
    )
