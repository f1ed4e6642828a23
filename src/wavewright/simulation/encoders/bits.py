"""From bits to edges: the instants at which a line changes when it carries a row of bits."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from wavewright.buses.line.logic import Line


def line_of_bits(
    bits: npt.ArrayLike, *, bit_time: float | npt.ArrayLike, start: float = 0.0, lead: float = 0.0, tail: float = 0.0
) -> Line:
    """A line that carries bits one after the other.

    Parameters
    ----------
    bits : 0 or 1, in time order, shape (n,); the line keeps the first bit's level before and the last one's after.
    bit_time : s; one for all, or one for each.
    start : when the first bit begins, s.
    lead, tail : how much earlier and later the line begins and ends, s.
    """
    levels = np.asarray(bits).astype(np.bool_)
    each = np.broadcast_to(np.asarray(bit_time, dtype=np.float64), levels.shape)
    bounds = start + np.concatenate([[0.0], np.cumsum(each)])
    changes = np.flatnonzero(levels[1:] != levels[:-1]) + 1
    first = bool(levels[0]) if levels.size else True
    return Line(first, bounds[changes], float(bounds[0] - lead), float(bounds[-1] + tail))


def bits_of_word(word: int, count: int, *, order: str = "msb") -> list[int]:
    """The bits of a number in the order in which they are sent."""
    bits = [word >> place & 1 for place in range(count)]
    return bits if order == "lsb" else bits[::-1]


def line_of_changes(changes: Sequence[tuple[float, bool]], *, first: bool, start: float, end: float) -> Line:
    """A line from the instants at which something set it high or low; setting it to what it is changes nothing.

    Parameters
    ----------
    changes : (s, level), ascending in time.
    """
    times, level = [], first
    for instant, wanted in changes:
        if wanted != level:
            times.append(instant)
            level = wanted
    return Line(first, np.array(times, dtype=np.float64), start, end)
