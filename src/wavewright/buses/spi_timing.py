"""Setup and hold of data at a clock: how long the data are quiet before and after the edge at which they are read."""

from __future__ import annotations

import math

import numpy as np

from wavewright.analysis.reading import Occurrences, Reading
from wavewright.buses.columns import Flags
from wavewright.buses.logic import Line
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Floats


def setup_time(clock: Line, data: Line, *, mode: int = 0, select: Line | None = None) -> Reading:
    """Setup time: from the last change of the data to the clock edge that reads them, the shortest of all.

    Parameters
    ----------
    mode : SPI mode 0 … 3, which says at what edge data are read.
    select : edges while it is high are left out.

    Raises
    ------
    NotMeasurable : no change of the data before a clock edge.
    """
    edges = reading_edges(clock, mode=mode, select=select)
    place = np.searchsorted(data.times, edges, side="right") - 1
    known = _changed_between(place, edges, data)
    return _shortest(edges[known], edges[known] - data.times[place[known]], "setup time", clock)


def hold_time(clock: Line, data: Line, *, mode: int = 0, select: Line | None = None) -> Reading:
    """Hold time: from the clock edge that reads the data to their next change, the shortest of all.

    Parameters and errors as for `setup_time`.
    """
    edges = reading_edges(clock, mode=mode, select=select)
    place = np.searchsorted(data.times, edges, side="right")
    behind = np.append(edges[1:], np.inf)
    known = (place < data.times.size) & (np.append(data.times, np.inf)[place] < behind)
    return _shortest(edges[known], data.times[place[known]] - edges[known], "hold time", clock)


def reading_edges(clock: Line, *, mode: int, select: Line | None) -> Floats:
    """The clock edges at which data are read in an SPI mode, while selected (low), s.

    Raises
    ------
    Misuse : a mode that does not exist.
    """
    if mode not in range(4):
        raise Misuse(f"spi timing: `mode` is `{mode}`", expected="0, 1, 2 or 3")
    edges = clock.rising if mode in (0, 3) else clock.falling
    return edges if select is None else edges[~select.is_high_along(edges)]


def _changed_between(place: np.ndarray[tuple[int], np.dtype[np.int64]], edges: Floats, data: Line) -> Flags:
    """Edges before which the data changed since the edge before."""
    before = np.concatenate([[-np.inf], edges[:-1]])
    return (place >= 0) & (np.append(data.times, np.inf)[place] >= before) if place.size else np.zeros(0, np.bool_)


def _shortest(times: Floats, values: Floats, what: str, clock: Line) -> Reading:
    if not values.size:
        raise NotMeasurable(f"{what}: the data never change beside a clock edge", expected="at least one change")
    return Reading(
        value=float(values.min()),
        unit="s",
        uncertainty=clock.interval / math.sqrt(6),  # two edges, each known to a sample, rectangular
        count=int(values.size),
        minimum=float(values.min()),
        maximum=float(values.max()),
        standard_deviation=float(values.std(ddof=1)) if values.size > 1 else None,
        occurrences=Occurrences(times, values),
    )
