"""Timing of an I2C bus: every quantity of UM10204, table 10, that two lines show, each with its published limit.

All times refer to VIH(min) and VIL(max), 0.7 and 0.3 of the supply: a line begins to fall where it leaves VIH and has
fallen where it reaches VIL. The value of a reading is the worst of all occurrences: the shortest where the limit is a
minimum, the longest where it is a maximum. Limits of revision 6/7: Standard- and Fast-mode as restated in component
data, Fast-mode Plus partly from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import Literal

import numpy as np

from wavewright.analysis.reading import Doubt, Occurrences, Reading
from wavewright.buses.columns import Flags
from wavewright.buses.i2c import find_conditions
from wavewright.buses.levels import LogicLevels
from wavewright.buses.logic import Line, line_of
from wavewright.errors import Misuse, NotMeasurable
from wavewright.quantities import Interval
from wavewright.waveform import Floats, Waveform

Mode = Literal["standard", "fast", "fast_plus"]
MODES = ("standard", "fast", "fast_plus")
SOURCE = "UM10204, table 10, revision 6/7 (as restated in component data; Fast-mode Plus partly from memory)"
FEW_SAMPLES = 5


@dataclass(frozen=True, slots=True)
class Limits:
    """What table 10 allows, in the three modes in the order of `MODES`; SI units, None: no limit."""

    symbol: str
    unit: str
    least: tuple[float | None, float | None, float | None] | None = None
    most: tuple[float | None, float | None, float | None] | None = None


LIMITS: Mapping[str, Limits] = MappingProxyType(
    {
        "clock_frequency": Limits("fSCL", "Hz", most=(100e3, 400e3, 1e6)),
        "start_hold": Limits("tHD;STA", "s", least=(4.0e-6, 0.6e-6, 0.26e-6)),
        "clock_low": Limits("tLOW", "s", least=(4.7e-6, 1.3e-6, 0.5e-6)),
        "clock_high": Limits("tHIGH", "s", least=(4.0e-6, 0.6e-6, 0.26e-6)),
        "start_setup": Limits("tSU;STA", "s", least=(4.7e-6, 0.6e-6, 0.26e-6)),
        "data_hold": Limits("tHD;DAT", "s", least=(0.0, 0.0, 0.0)),
        "data_setup": Limits("tSU;DAT", "s", least=(250e-9, 100e-9, 50e-9)),
        "rise_time": Limits("tr", "s", most=(1000e-9, 300e-9, 120e-9)),
        "fall_time": Limits("tf", "s", most=(300e-9, 300e-9, 120e-9)),
        "stop_setup": Limits("tSU;STO", "s", least=(4.0e-6, 0.6e-6, 0.26e-6)),
        "bus_free": Limits("tBUF", "s", least=(4.7e-6, 1.3e-6, 0.5e-6)),
        "data_valid": Limits("tVD;DAT", "s", most=(3.45e-6, 0.9e-6, 0.45e-6)),
    }
)
"""The quantities by name, in the order of the table."""


@dataclass(frozen=True, slots=True)
class TimingRow:
    """One line of the report; `holds` is None where there was nothing to measure."""

    name: str
    symbol: str
    meaning: str
    reading: Reading
    limit: Interval
    holds: bool | None


@dataclass(frozen=True, slots=True, eq=False)
class Transitions:
    """When a line begins and ends each change, s: it leaves one threshold and reaches the other; shape (n,)."""

    begins: Floats
    ends: Floats
    rising: Flags

    @property
    def rises(self) -> tuple[Floats, Floats]:
        """Begins and ends of the rising ones."""
        return self.begins[self.rising], self.ends[self.rising]

    @property
    def falls(self) -> tuple[Floats, Floats]:
        """Begins and ends of the falling ones."""
        return self.begins[~self.rising], self.ends[~self.rising]


class I2cSurvey:
    """The two lines of an I2C bus under examination; what is found is kept.

    Parameters
    ----------
    scl, sda : on one time axis.
    levels : VIL(max) and VIH(min), V.
    """

    def __init__(self, scl: Waveform, sda: Waveform, levels: tuple[float, float]) -> None:
        thresholds = LogicLevels(*levels)
        self.interval = max(scl.interval, sda.interval)
        self.scl_line, self.sda_line = line_of(scl, thresholds), line_of(sda, thresholds)
        self.scl = transitions(scl, self.scl_line, levels)
        self.sda = transitions(sda, self.sda_line, levels)

    @cached_property
    def is_condition(self) -> Flags:
        """Which changes of SDA are a START or STOP."""
        found = find_conditions(self.scl_line, self.sda_line)
        return np.isin(self.sda.ends, found.times)

    @property
    def starts(self) -> tuple[Floats, Floats]:
        """Begins and ends of the falls of SDA that are a START."""
        chosen = self.is_condition & ~self.sda.rising
        return self.sda.begins[chosen], self.sda.ends[chosen]

    @property
    def stops(self) -> tuple[Floats, Floats]:
        """Begins and ends of the rises of SDA that are a STOP."""
        chosen = self.is_condition & self.sda.rising
        return self.sda.begins[chosen], self.sda.ends[chosen]

    @property
    def data(self) -> tuple[Floats, Floats]:
        """Begins and ends of the changes of SDA that are data."""
        return self.sda.begins[~self.is_condition], self.sda.ends[~self.is_condition]


def transitions(wave: Waveform, line: Line, levels: tuple[float, float]) -> Transitions:
    """The changes of a line with both their ends."""
    low, high = (line_of(wave, LogicLevels(level, level)) for level in levels)
    rising = (np.arange(line.times.size) & 1 == 0) ^ line.first
    begins = line.times.copy()
    for is_kind, leaving in ((rising, low.rising), (~rising, high.falling)):
        place = np.searchsorted(leaving, line.times[is_kind] + 1e-15, side="right") - 1
        known = place >= 0
        begins[np.flatnonzero(is_kind)[known]] = np.minimum(leaving[place[known]], line.times[is_kind][known])
    return Transitions(begins, line.times, rising)


def clock_frequency(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """Reciprocal of the time between rising edges of SCL inside a transfer."""
    ends = bus.scl.rises[1]
    periods = np.diff(ends)
    inside = ~_any_between(np.sort(np.concatenate([bus.starts[1], bus.stops[1]])), ends[:-1], ends[1:])
    return ends[:-1][inside], 1 / periods[inside]


def start_hold(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """From SDA having fallen (START) to SCL beginning to fall."""
    return _next_after(bus.starts[1], bus.scl.falls[0])


def clock_low(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """From SCL having fallen to SCL beginning to rise."""
    return _next_after(bus.scl.falls[1], bus.scl.rises[0])


def clock_high(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """From SCL having risen to SCL beginning to fall."""
    return _next_after(bus.scl.rises[1], bus.scl.falls[0])


def start_setup(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """From SCL having risen to SDA beginning to fall for a repeated START."""
    begins = bus.starts[0]
    stops = np.concatenate([[-np.inf], bus.stops[1]])
    rises = np.concatenate([[-np.inf], bus.scl.rises[1]])
    last_rise = rises[np.searchsorted(rises, begins) - 1]
    last_stop = stops[np.searchsorted(stops, begins) - 1]
    repeated = np.isfinite(last_rise) & (last_stop < last_rise)
    return begins[repeated], (begins - last_rise)[repeated]


def data_hold(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """From SCL having fallen to SDA beginning to change."""
    return _since_fall(bus.data[0], bus)


def data_setup(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """From SDA having changed to SCL beginning to rise."""
    return _next_after(bus.data[1], bus.scl.rises[0])


def rise_time(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """Time for a rise of SCL or SDA from VIL to VIH."""
    return _durations(bus.scl.rises, bus.sda.rises)


def fall_time(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """Time for a fall of SCL or SDA from VIH to VIL."""
    return _durations(bus.scl.falls, bus.sda.falls)


def stop_setup(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """From SCL having risen to SDA beginning to rise (STOP)."""
    begins = bus.stops[0]
    rises = np.concatenate([[-np.inf], bus.scl.rises[1]])
    last = rises[np.searchsorted(rises, begins) - 1]
    known = np.isfinite(last)
    return begins[known], (begins - last)[known]


def bus_free(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """From SDA having risen (STOP) to SDA beginning to fall (START)."""
    return _next_after(bus.stops[1], bus.starts[0])


def data_valid(bus: I2cSurvey) -> tuple[Floats, Floats]:
    """From SCL having fallen to SDA having changed."""
    return _since_fall(bus.data[1], bus)


QUANTITIES: Mapping[str, Callable[[I2cSurvey], tuple[Floats, Floats]]] = MappingProxyType(
    {
        function.__name__: function
        for function in (
            clock_frequency,
            start_hold,
            clock_low,
            clock_high,
            start_setup,
            data_hold,
            data_setup,
            rise_time,
            fall_time,
            stop_setup,
            bus_free,
            data_valid,
        )
    }
)


def published_limit(name: str, mode: Mode) -> Interval:
    """What UM10204, table 10, allows for a quantity in a mode.

    Raises
    ------
    Misuse : there is no such quantity or mode.
    """
    if name not in LIMITS or mode not in MODES:
        known = ", ".join(LIMITS if name not in LIMITS else MODES)
        raise Misuse(f"i2c timing `{name}` in mode `{mode}`", expected=f"one of {known}")
    entry, column = LIMITS[name], MODES.index(mode)
    least = entry.least[column] if entry.least else None
    most = entry.most[column] if entry.most else None
    return Interval(-math.inf if least is None else least, math.inf if most is None else most, entry.unit)


def measure_i2c(bus: I2cSurvey, name: str) -> Reading:
    """One quantity: the worst of all occurrences.

    Raises
    ------
    NotMeasurable : it does not occur.
    Misuse : there is no such quantity.
    """
    if name not in QUANTITIES:
        raise Misuse(f"i2c timing `{name}`", expected=f"one of {', '.join(QUANTITIES)}")
    times, values = QUANTITIES[name](bus)
    entry = LIMITS[name]
    if not values.size:
        raise NotMeasurable(f"{entry.symbol}: it does not occur in the record", expected="at least one occurrence")
    worst = float(values.min() if entry.least else values.max())
    in_time = 1 / worst if entry.unit == "Hz" else worst
    few = in_time < FEW_SAMPLES * bus.interval
    resolution = bus.interval / math.sqrt(6) * (worst * worst if entry.unit == "Hz" else 1)  # two edges, rectangular
    return Reading(
        value=worst,
        unit=entry.unit,
        uncertainty=resolution,
        doubts=(Doubt.FEW_SAMPLES,) if few else (),
        count=int(values.size),
        minimum=float(values.min()),
        maximum=float(values.max()),
        standard_deviation=float(values.std(ddof=1)) if values.size > 1 else None,
        occurrences=Occurrences(times, values),
    )


def timing_report(
    scl: Waveform, sda: Waveform, *, mode: Mode, supply: float | None = None, levels: tuple[float, float] | None = None
) -> tuple[TimingRow, ...]:
    """Every quantity with its reading, its published limit, and whether it holds.

    Parameters
    ----------
    supply : V; thresholds are 0.3 and 0.7 of it.
    levels : VIL(max), VIH(min), V, instead.

    Raises
    ------
    Misuse : neither or both of `supply` and `levels`.
    """
    if (supply is None) == (levels is None):
        raise Misuse("i2c timing: the levels it refers to", expected="either `supply` or `levels`")
    bus = I2cSurvey(scl, sda, levels or (0.3 * supply, 0.7 * supply))  # type: ignore[operator]
    rows = []
    for name, function in QUANTITIES.items():
        limit = published_limit(name, mode)
        try:
            reading = measure_i2c(bus, name)
        except NotMeasurable as nothing:
            reading = Reading(value=None, unit=limit.unit, reason=nothing.what)
        holds = None if reading.value is None else _fulfils(reading.value, limit)
        meaning = (function.__doc__ or "").split("\n", 1)[0]
        rows.append(TimingRow(name, LIMITS[name].symbol, meaning, reading, limit, holds))
    return tuple(rows)


def _fulfils(value: float, limit: Interval) -> bool:
    """Within the limit, or so near that only the rounding of times keeps it out."""
    return value in limit or any(math.isclose(value, end, rel_tol=1e-9) for end in (limit.low, limit.high))


def _next_after(instants: Floats, events: Floats) -> tuple[Floats, Floats]:
    """For each instant the time to the next event."""
    place = np.searchsorted(events, instants)
    known = place < events.size
    return instants[known], events[place[known]] - instants[known]


def _since_fall(instants: Floats, bus: I2cSurvey) -> tuple[Floats, Floats]:
    """For each instant the time since SCL had fallen: 0 where it has only begun to, or will within a sample."""
    begins, ends = bus.scl.falls
    place = np.searchsorted(begins, instants + bus.interval, side="right") - 1
    known = place >= 0
    return instants[known], np.maximum(instants[known] - ends[place[known]], 0.0)


def _durations(*pairs: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    begins, ends = (np.concatenate([pair[k] for pair in pairs]) for k in (0, 1))
    order = np.argsort(begins, kind="stable")
    return begins[order], (ends - begins)[order]


def _any_between(events: Floats, begins: Floats, ends: Floats) -> Flags:
    return np.asarray(np.searchsorted(events, ends) > np.searchsorted(events, begins))
