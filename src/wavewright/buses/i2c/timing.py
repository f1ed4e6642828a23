"""Timing of an I2C bus: every quantity of UM10204 Rev. 6, table 10, that two lines show, each with its published limit.

The value of a reading is the worst of all occurrences, the shortest where the limit is a minimum and the longest where
it is a maximum, and `at` says when that one was. Times refer to VIL(max) and VIH(min), see `i2c_transitions.py`.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from typing import Annotated, Any

import numpy as np

from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import log
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.frame_metrics import BETWEEN_EDGES, LevelsOf, LinesRead, every_line, line_metric
from wavewright.buses.i2c.limits import LIMITS, published
from wavewright.buses.i2c.transitions import I2cSurvey
from wavewright.buses.line.columns import Flags
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

SOURCE = "UM10204 Rev. 6, table 10 (Rev. 7: table 11)"
FEW_SAMPLES = 5
THE_EDGE = frozenset({Reads.FRAMES, Reads.TRANSITIONS})

Found = tuple[Floats, Floats]
"""When each occurrence was, s, and how much it was; shape (n,) each."""
Quantity = Callable[[I2cSurvey], Found]


def clock_line(connected: Collection[str], options: Mapping[str, Any]) -> tuple[str, ...]:
    """SCL alone."""
    return ("scl",)


def timing_levels(bus: BusRecord, name: str) -> tuple[float, float]:
    """VIL(max) and VIH(min) of a line, V."""
    return bus.once(I2cSurvey.of).levels[("scl", "sda").index(name)]


def edge_levels(bus: BusRecord, name: str) -> tuple[float, float]:
    """The levels of a line that its rise and fall times lie between, V."""
    (low, high), margin = timing_levels(bus, name), bus.once(I2cSurvey.of).margin
    return low - margin, high + margin


def i2c_quantity(
    source: str,
    *,
    lines: LinesRead = every_line,
    levels: LevelsOf = timing_levels,
    reads: frozenset[Reads] = BETWEEN_EDGES,
) -> Callable[[Quantity], Quantity]:
    """Enter the decorated quantity into the catalogue as a metric: the worst of all its occurrences, by its limit."""

    def enter(function: Quantity) -> Quantity:
        name, limits = function.__name__, LIMITS[function.__name__]

        @line_metric(
            name,
            bus="i2c",
            unit=limits.unit,
            source=source,
            symbol=limits.symbol,
            published=lambda then, options: published(name, then, options),
            reads=reads,
            lines=lines,
            levels=levels,
        )
        @functools.wraps(function)
        def worst(bus: BusRecord) -> Reading:
            survey = bus.once(I2cSurvey.of)
            times, values = function(survey)
            return _worst(limits.symbol, times, values, limits.unit, least=limits.least is not None, bus=survey)

        return function

    return enter


@i2c_quantity(SOURCE, lines=clock_line)
def clock_frequency(bus: I2cSurvey) -> Found:
    """SCL clock frequency: reciprocal of the time between rising edges of SCL inside a transfer; the highest."""
    ends = bus.scl.rises[1]
    periods = np.diff(ends)
    inside = ~_any_between(np.sort(np.concatenate([bus.starts[1], bus.stops[1]])), ends[:-1], ends[1:])
    return ends[:-1][inside], 1 / periods[inside]


@i2c_quantity(SOURCE)
def start_hold_time(bus: I2cSurvey) -> Found:
    """Hold time of a (repeated) START: from SDA having fallen to SCL beginning to fall; the shortest."""
    return _next_after(bus.starts[1], bus.scl.falls[0])


@i2c_quantity(SOURCE, lines=clock_line)
def low_period(bus: I2cSurvey) -> Found:
    """LOW period of the SCL clock: from SCL having fallen to SCL beginning to rise; the shortest."""
    return _next_after(bus.scl.falls[1], bus.scl.rises[0])


@i2c_quantity(SOURCE, lines=clock_line)
def high_period(bus: I2cSurvey) -> Found:
    """HIGH period of the SCL clock: from SCL having risen to SCL beginning to fall; the shortest."""
    return _next_after(bus.scl.rises[1], bus.scl.falls[0])


@i2c_quantity(SOURCE)
def start_setup_time(bus: I2cSurvey) -> Found:
    """Set-up time of a repeated START: from SCL having risen to SDA beginning to fall; the shortest."""
    begins = bus.starts[0]
    stops = np.concatenate([[-np.inf], bus.stops[1]])
    rises = np.concatenate([[-np.inf], bus.scl.rises[1]])
    last_rise = rises[np.searchsorted(rises, begins) - 1]
    last_stop = stops[np.searchsorted(stops, begins) - 1]
    repeated = np.isfinite(last_rise) & (last_stop < last_rise)
    return begins[repeated], (begins - last_rise)[repeated]


@i2c_quantity(SOURCE)
def data_hold_time(bus: I2cSurvey) -> Found:
    """Data hold time: from SCL having fallen to SDA beginning to change, 0 if it changes with it; the shortest."""
    return _since_fall(bus.data[0], bus)


@i2c_quantity(SOURCE)
def data_setup_time(bus: I2cSurvey) -> Found:
    """Data set-up time: from SDA having changed to SCL beginning to rise; the shortest."""
    return _next_after(bus.data[1], bus.scl.rises[0])


@i2c_quantity(SOURCE, levels=edge_levels, reads=THE_EDGE)
def rise_time(bus: I2cSurvey) -> Found:
    """Rise time of both SDA and SCL, from VIL to VIH, for SMBus 0.15 V outside of these; the longest."""
    return _durations(bus.scl_edges.rises, bus.sda_edges.rises)


@i2c_quantity(SOURCE, levels=edge_levels, reads=THE_EDGE)
def fall_time(bus: I2cSurvey) -> Found:
    """Fall time of both SDA and SCL, from VIH to VIL, for SMBus 0.15 V outside of these; the longest."""
    return _durations(bus.scl_edges.falls, bus.sda_edges.falls)


@i2c_quantity(SOURCE, levels=edge_levels, reads=THE_EDGE)
def shortest_rise_time(bus: I2cSurvey) -> Found:
    """Rise time of both SDA and SCL, as `rise_time`; the shortest, which Fast-mode bounds too."""
    return rise_time(bus)


@i2c_quantity(SOURCE, levels=edge_levels, reads=THE_EDGE)
def shortest_fall_time(bus: I2cSurvey) -> Found:
    """Fall time of both SDA and SCL, as `fall_time`; the shortest, in the faster modes 20 ns · VDD / 5.5 V."""
    return fall_time(bus)


@i2c_quantity(SOURCE)
def stop_setup_time(bus: I2cSurvey) -> Found:
    """Set-up time of a STOP: from SCL having risen to SDA beginning to rise; the shortest."""
    begins = bus.stops[0]
    rises = np.concatenate([[-np.inf], bus.scl.rises[1]])
    last = rises[np.searchsorted(rises, begins) - 1]
    known = np.isfinite(last)
    return begins[known], (begins - last)[known]


@i2c_quantity(SOURCE)
def bus_free_time(bus: I2cSurvey) -> Found:
    """Bus free time: from SDA having risen for a STOP to SDA beginning to fall for a START; the shortest."""
    return _next_after(bus.stops[1], bus.starts[0])


@i2c_quantity(SOURCE)
def data_valid_time(bus: I2cSurvey) -> Found:
    """Data valid time: from SCL having fallen to SDA having changed for a data bit; the longest."""
    chosen = ~bus.is_acknowledge & ~bus.is_preparing
    return _since_fall(bus.data[1][chosen], bus)


@i2c_quantity(SOURCE)
def acknowledge_valid_time(bus: I2cSurvey) -> Found:
    """Data valid acknowledge time: from SCL having fallen to SDA having changed for the ninth bit; the longest."""
    return _since_fall(bus.data[1][bus.is_acknowledge & ~bus.is_preparing], bus)


@line_metric(
    "bus_capacitance",
    bus="i2c",
    unit="F",
    symbol="Cb",
    source=f"math: an RC edge takes R C ln((VDD − VIL)/(VDD − VIH)) from VIL to VIH; limit: {SOURCE}",
    published=lambda then, options: published("bus_capacitance", then, options),
    reads=THE_EDGE,
    levels=timing_levels,
    follows="rise_time",
)
def bus_capacitance(bus: BusRecord, *, pull_up: Annotated[float, "ohm", POSITIVE]) -> Reading:
    """Capacitive load of a bus line: longest rise time over R ln((VDD − VIL)/(VDD − VIH)), of the worse line.

    VDD is the high state level of the line; with VIL and VIH at 0.3 and 0.7 of it the logarithm is 0.8473.

    Parameters
    ----------
    pull_up : ohm; resistance that pulls each line up.

    Raises
    ------
    NotMeasurable : no line rises.
    """
    survey = bus.once(I2cSurvey.of)
    found = []
    for wave, line, (low, high) in zip(survey.waves, (survey.scl, survey.sda), survey.levels, strict=True):
        begins, ends = line.rises
        if begins.size:
            supply = Survey(wave).levels.high
            factor = pull_up * log((supply - low) / (supply - high)) if supply > high else math.nan
            found.append((begins, (ends - begins) / factor))
    if not found or any(np.isnan(values).any() for _, values in found):
        raise NotMeasurable("Cb: no line rises above VIH and stays there", expected="at least one rise")
    times, values = (np.concatenate([pair[part] for pair in found]) for part in (0, 1))
    return _worst("Cb", times, values, "F", least=False, bus=survey)


@line_metric(
    "low_output_level",
    bus="i2c",
    unit="V",
    symbol="VOL",
    source="UM10204 Rev. 6, table 9: 0.4 V at 3 mA (Fast-mode Plus 20 mA) with VDD above 2 V; 0.2 VDD at 2 mA below, "
    "in Fast-mode and Fast-mode Plus; SMBus: 0.4 V",
    published=lambda then, options: published("low_output_level", then, options),
    reads=frozenset({Reads.FRAMES, Reads.LOW_LEVEL}),
    levels=timing_levels,
)
def low_output_level(bus: BusRecord) -> Reading:
    """LOW-level output voltage: low state level of SCL or SDA, whichever is higher.

    Raises
    ------
    NotMeasurable : neither line has a low state.
    """
    survey = bus.once(I2cSurvey.of)
    lines = zip(survey.waves, (survey.scl_line, survey.sda_line), strict=True)
    levels = [Survey(wave).levels.low for wave, line in lines if line.times.size]
    if not levels:
        raise NotMeasurable("VOL: neither line changes", expected="a line that goes low")
    return Reading(max(levels), "V", count=len(levels), minimum=min(levels), maximum=max(levels))


def _worst(symbol: str, times: Floats, values: Floats, unit: str, *, least: bool, bus: I2cSurvey) -> Reading:
    """The shortest or longest of all occurrences, with when it was."""
    if not values.size:
        raise NotMeasurable(f"{symbol}: it does not occur in the record", expected="at least one occurrence")
    reading = Reading.of_worst(values, times=times, unit=unit, largest=not least)
    assert reading.value is not None
    if unit not in ("s", "Hz"):
        return reading
    in_time = 1 / reading.value if unit == "Hz" else reading.value
    # two edges, each somewhere within a sample, rectangular (JCGM 100:2008, 4.3.7)
    uncertainty = bus.interval / math.sqrt(6) * (reading.value * reading.value if unit == "Hz" else 1)
    doubts = (Doubt.FEW_SAMPLES,) if in_time < FEW_SAMPLES * bus.interval else ()
    return replace(reading, uncertainty=uncertainty, doubts=doubts)


def _next_after(instants: Floats, events: Floats) -> Found:
    """For each instant the time to the next event."""
    place = np.searchsorted(events, instants)
    known = place < events.size
    return instants[known], events[place[known]] - instants[known]


def _since_fall(instants: Floats, bus: I2cSurvey) -> Found:
    """For each instant the time since SCL had fallen: 0 where it has only begun to, or will within a sample."""
    begins, ends = bus.scl.falls
    place = np.searchsorted(begins, instants + bus.interval, side="right") - 1
    known = place >= 0
    return instants[known], np.maximum(instants[known] - ends[place[known]], 0.0)


def _durations(*pairs: Found) -> Found:
    begins, ends = (np.concatenate([pair[k] for pair in pairs]) for k in (0, 1))
    order = np.argsort(begins, kind="stable")
    return begins[order], (ends - begins)[order]


def _any_between(events: Floats, begins: Floats, ends: Floats) -> Flags:
    return np.asarray(np.searchsorted(events, ends) > np.searchsorted(events, begins))
