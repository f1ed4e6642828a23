"""Setup and hold of data at a clock: how long the data are quiet before and after the edge at which they are read."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Any, Literal

import numpy as np

from wavewright.analysis.doubts import Doubt
from wavewright.analysis.reading import Reading
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.frame_metrics import line_metric
from wavewright.buses.line.columns import Flags
from wavewright.buses.line.logic import Line
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Floats

SOURCE = "definition; a device's requirements are in its data sheet: SPI has no standard"
FEW_SAMPLES = 5
Data = Literal["mosi", "miso"]


def _clock_with_data(connected: Collection[str], options: Mapping[str, Any]) -> tuple[str, ...]:
    return "clock", _data_line(connected, options.get("data"))


def _clock_with_select(connected: Collection[str], options: Mapping[str, Any]) -> tuple[str, ...]:
    return "clock", "select"


@line_metric("setup_time", bus="spi", unit="s", source=SOURCE, symbol="tsu", lines=_clock_with_data)
def setup_time_of_bus(bus: BusRecord, *, data: Data | None = None) -> Reading:
    """Setup time: from the last change of the data to the clock edge that reads them, the shortest of all.

    Parameters
    ----------
    data : the line to be evaluated; the only one if left out, or `mosi` of two.

    Raises
    ------
    NotMeasurable : no change of the data before a clock edge.
    Misuse : that line is not connected.
    """
    clock, line, select, mode = _bus_lines(bus, data)
    return setup_time(clock, line, mode=mode, select=select)


@line_metric("hold_time", bus="spi", unit="s", source=SOURCE, symbol="th", lines=_clock_with_data)
def hold_time_of_bus(bus: BusRecord, *, data: Data | None = None) -> Reading:
    """Hold time: from the clock edge that reads the data to their next change, the shortest of all.

    Parameters and errors as for `setup_time`.
    """
    clock, line, select, mode = _bus_lines(bus, data)
    return hold_time(clock, line, mode=mode, select=select)


@line_metric("select_setup_time", bus="spi", unit="s", source=SOURCE, symbol="tss", lines=_clock_with_select)
def select_setup_time(bus: BusRecord) -> Reading:
    """Setup time of select: from select becoming active to the first clock edge after it, the shortest of all.

    Raises
    ------
    NotMeasurable : select never becomes active with a clock after it.
    Misuse : `select` is not connected.
    """
    clock, select = _clock_and_select(bus)
    begins = select.falling
    place = np.searchsorted(clock.times, begins)
    until = np.append(select.times, np.inf)[np.searchsorted(select.times, begins, side="right")]
    first = np.append(clock.times, np.inf)[place]
    known = first < until
    return _shortest(begins[known], (first - begins)[known], "select is never followed by a clock", clock)


@line_metric("select_hold_time", bus="spi", unit="s", source=SOURCE, symbol="tsh", lines=_clock_with_select)
def select_hold_time(bus: BusRecord) -> Reading:
    """Hold time of select: from the last clock edge to select becoming inactive, the shortest of all.

    Errors as for `select_setup_time`.
    """
    clock, select = _clock_and_select(bus)
    ends = select.rising
    place = np.searchsorted(clock.times, ends, side="right") - 1
    since = np.append(-np.inf, select.times)[np.searchsorted(select.times, ends)]
    last = np.append(clock.times, -np.inf)[place]
    known = last > since
    return _shortest(last[known], (ends - last)[known], "select never ends after a clock", clock)


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
    return _shortest(edges[known], edges[known] - data.times[place[known]], NO_CHANGE, clock)


def hold_time(clock: Line, data: Line, *, mode: int = 0, select: Line | None = None) -> Reading:
    """Hold time: from the clock edge that reads the data to their next change, the shortest of all.

    Parameters and errors as for `setup_time`.
    """
    edges = reading_edges(clock, mode=mode, select=select)
    place = np.searchsorted(data.times, edges, side="right")
    after = np.append(edges[1:], np.inf)
    known = (place < data.times.size) & (np.append(data.times, np.inf)[place] < after)
    return _shortest(edges[known], data.times[place[known]] - edges[known], NO_CHANGE, clock)


NO_CHANGE = "the data never change near a clock edge"


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


def _bus_lines(bus: BusRecord, data: str | None) -> tuple[Line, Line, Line | None, int]:
    """Clock, the data line that is asked for, select (active low), and the mode."""
    lines = bus.lines
    name = _data_line([each for each, line in lines.items() if line is not None], data)
    clock, line = lines["clock"], lines[name]
    if clock is None or line is None:
        raise Misuse(f"spi timing of `{name}`, which is not connected", expected=f"a channel on `{name}`")
    return clock, line, _active_low(bus), int(bus.options["mode"])


def _data_line(connected: Collection[str], data: str | None) -> str:
    return data or next((each for each in ("mosi", "miso") if each in connected), "mosi")


def _clock_and_select(bus: BusRecord) -> tuple[Line, Line]:
    clock, select = bus.lines["clock"], _active_low(bus)
    if clock is None or select is None:
        raise Misuse("spi timing of `select`, which is not connected", expected="a channel on `select`")
    return clock, select


def _active_low(bus: BusRecord) -> Line | None:
    select = bus.lines["select"]
    return select.inverted() if select is not None and bus.options["select_active"] == "high" else select


def _changed_between(place: np.ndarray[tuple[int], np.dtype[np.int64]], edges: Floats, data: Line) -> Flags:
    """Edges before which the data changed since the edge before."""
    before = np.concatenate([[-np.inf], edges[:-1]])
    return (place >= 0) & (np.append(data.times, np.inf)[place] >= before) if place.size else np.zeros(0, np.bool_)


def _shortest(times: Floats, values: Floats, nothing: str, clock: Line) -> Reading:
    if not values.size:
        raise NotMeasurable(f"spi timing: {nothing}", expected="at least one such change")
    resolution = clock.interval / math.sqrt(6)  # two edges, each known to a sample, rectangular
    reading = Reading.of_worst(values, times=times, unit="s", largest=False, uncertainty=resolution)
    few = (Doubt.FEW_SAMPLES,) if values.min() < FEW_SAMPLES * clock.interval else ()
    return replace(reading, doubts=(*reading.doubts, *few))
