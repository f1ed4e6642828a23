"""The set-up's own edge: what probe, input and band limit add to an edge, and take away from a tone.

Each part counts as a single pole, whose step response takes ln 9 / (2π·B), the 0.35/B of the trade, from 10 to 90 %.
Several together take the root of the sum of their squares, and so does an edge that passes through them: common
practice, no source. How far that rule is off was computed for ramps, exponential, Gaussian and raised-cosine edges
through one to three poles, from 10, 20 or 30 % upwards: up to three times the set-up's own edge, the square that they
add is never more than 1.35² times what the rule says.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from wavewright.analysis.doubts import EXTREMES, LEVELS, Doubt, Finding, Reads
from wavewright.analysis.elementary.exponentials import log, square
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.fitting.first_order import RISE_FACTOR, amplitude_error, rise_time
from wavewright.analysis.front_end.front_end import FrontEnd, repeating_frequency, tone_frequency
from wavewright.analysis.parameters import ReferenceLevel, Slope
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.transitions.transitions import find_transitions
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity

TIMES_FASTER = 3.0  # the set-up than the edge that is read; common practice, no source
RULE_IS_OFF = 1.35  # largest ratio of what the set-up really adds to what the rule says
NOTICEABLE_LOSS = 0.02  # of a tone's amplitude: one at a fifth of the bandwidth
TIMES_WIDER = 2.0  # the pulses that are counted than those that do not reach the level; as for sample intervals
HALF_WAY = ReferenceLevel(0.5, is_ratio=True)
DURATIONS = ("rise_time", "fall_time", "shortest_rise_time", "shortest_fall_time")
ABERRATIONS = ("overshoot", "undershoot", "preshoot")
MEANS = ("mean", "cycle_mean", "sine_offset")  # which neither bandwidth nor a capacitance changes


def joint_rise_time(bandwidths: Iterable[float]) -> float:
    """10 to 90 % of the step response of several single poles one after the other, s: root of the sum of squares."""
    return math.hypot(*(rise_time(bandwidth) for bandwidth in bandwidths))


def joint_delay(bandwidths: Iterable[float]) -> float:
    """By how much several single poles one after the other delay a slow edge, s: the sum of their time constants."""
    return sum(1 / (2 * math.pi * bandwidth) for bandwidth in bandwidths)


def without_set_up(duration: float, edge: float) -> float:
    """What is left of an edge that was read, when that of the set-up is taken out, s; 0 where nothing is left."""
    return math.sqrt(max(square(duration) - square(edge), 0.0))


def slow_setup(read: Read) -> Finding | None:
    """An edge that the set-up made slower, an overshoot or a pulse that it rounded off, a tone that it made smaller."""
    for survey, front_end in read.pairs:
        if front_end is None or not front_end.rise_time or read.reading.value is None:
            continue
        if read.metric in DURATIONS:
            found = _slowed(read, survey, front_end)
        elif read.metric == "glitches":
            found = _lost(read, survey, front_end)
        elif is_between_edges_of_bus(read):
            found = _blurred(read, survey, front_end)
        elif read.metric == "slew_rate" or read.metric in ABERRATIONS:
            found = _rounded(read, survey, front_end)
        elif is_of_size(read, survey):
            found = _diminished(read, survey, front_end)
        else:
            found = None
        if found is not None:
            return found
    return None


def _slowed(read: Read, survey: Survey, front_end: FrontEnd) -> Finding | None:
    duration, edge = float(read.reading.value or 0.0), front_end.edge * share_of_edge(read, survey)
    if duration >= TIMES_FASTER * edge:
        return None
    left = without_set_up(duration, edge)
    shown, own, rest = (show_quantity(one, "s", resolution=edge / 100) for one in (duration, edge, left))
    text = f"{shown} is read, and the set-up alone takes {own} ({_made_of(front_end)}), which leaves about {rest}"
    lowest = without_set_up(duration, RULE_IS_OFF * edge)
    return Finding(Doubt.SLOW_SETUP, text, duration - lowest, 0.0, decides=False)


def _rounded(read: Read, survey: Survey, front_end: FrontEnd) -> Finding | None:
    """Of an edge that is not well slower than the set-up's, overshoot and steepness may be any larger."""
    duration, edge = edge_of(survey), front_end.edge
    if duration is None or duration >= TIMES_FASTER * edge:
        return None
    shown, own = (show_quantity(one, "s", resolution=edge / 100) for one in (duration, edge))
    text = f"the edges take {shown}, and the set-up alone takes {own} ({_made_of(front_end)})"
    return Finding(Doubt.SLOW_SETUP, text, 0.0, math.inf, decides=False)


def _lost(read: Read, survey: Survey, front_end: FrontEnd) -> Finding | None:
    """Pulses that are to be counted and may not reach the level: there may be more of them, and never fewer."""
    width, level = read.options.get("width"), read.options.get("level", HALF_WAY)
    share = _as_ratio(level, survey)
    if width is None or not 0 < share < 1:
        return None
    # of a pulse of w one pole lets 1 − exp(−w/τ) through (math), upwards from the low state or down from the high one
    narrowest = front_end.edge / RISE_FACTOR * log(1 / (1 - max(share, 1 - share)))
    if width >= TIMES_WIDER * narrowest:
        return None
    shown, lost = (show_quantity(one, "s", resolution=narrowest / 100) for one in (width, narrowest))
    text = f"pulses below {shown} are counted, and those below {lost} do not reach the level ({_made_of(front_end)})"
    return Finding(Doubt.SLOW_SETUP, text, below=0.0, decides=False)


def _diminished(read: Read, survey: Survey, front_end: FrontEnd) -> Finding | None:
    bandwidth = rise_time(1.0) / (front_end.rise_time or 1.0)  # of the single pole with the same edge
    fastest = 0.5 / survey.wave.interval
    if -amplitude_error(fastest, bandwidth) < NOTICEABLE_LOSS:
        return None
    frequency = tone_frequency(survey) if Reads.SPECTRUM in read.parts else repeating_frequency(survey)
    if frequency is None or -amplitude_error(frequency, bandwidth) < NOTICEABLE_LOSS:
        return None
    share = 1 / (1 + amplitude_error(frequency, bandwidth)) - 1
    text = (
        f"{show_quantity(frequency, 'Hz')} through {show_quantity(bandwidth, 'Hz')} ({_made_of(front_end)}) lose "
        f"{-100 * amplitude_error(frequency, bandwidth):.2g} %"
    )
    missing = share * abs(read.reading.value or 0.0)
    is_negative = (read.reading.value or 0.0) < 0
    return Finding(Doubt.SLOW_SETUP, text, missing * is_negative, missing * (not is_negative), decides=False)


def is_between_edges_of_bus(read: Read) -> bool:
    """Whether a reading is a time, or a rate, between two edges on the lines of a bus."""
    return {Reads.FRAMES, Reads.EDGES} <= read.parts and read.reading.unit in ("s", "Hz")


def as_time(read: Read) -> float:
    """The time, s, that a reading of a time or a rate stands for; infinite of a rate of 0."""
    value = float(read.reading.value or 0.0)
    return value if read.reading.unit == "s" else 1 / value if value else math.inf


def reach_of_time(read: Read, moved: float) -> float:
    """What a shift of an edge, s, is in the unit of a reading of a time or a rate."""
    value = float(read.reading.value or 0.0)
    return moved if read.reading.unit == "s" else moved * value * value


def _blurred(read: Read, survey: Survey, front_end: FrontEnd) -> Finding | None:
    """A time between edges so short that where they begin and end is decided by the set-up."""
    time, own = as_time(read), front_end.edge * share_of_edge(read, survey)
    if time >= TIMES_FASTER * own:
        return None
    shown, edge = (show_quantity(one, "s", resolution=own / 100) for one in (time, own))
    text = f"{shown} between edges is read, and an edge of the set-up alone takes {edge} ({_made_of(front_end)})"
    return Finding.within(Doubt.SLOW_SETUP, text, reach_of_time(read, own))


def is_of_size(read: Read, survey: Survey) -> bool:
    """Whether a reading grows and shrinks with the signal; a mean does not, whatever becomes of the rest."""
    parts = EXTREMES | LEVELS | {Reads.SAMPLES, Reads.SPECTRUM}
    return read.reading.unit == survey.unit and bool(read.parts & parts) and read.metric not in MEANS


def share_of_edge(read: Read, survey: Survey) -> float:
    """How long one pole takes between the levels of a rise or fall time, over the time from 10 to 90 %."""
    found = [read.options.get(name) for name in ("low", "high")]
    low, high = (
        _as_ratio(one, survey) if isinstance(one, ReferenceLevel) else usual
        for one, usual in zip(found, (0.1, 0.9), strict=True)
    )
    return share_between(low, high, is_falling=read.metric.endswith("fall_time"))


def share_between(low: float, high: float, *, is_falling: bool = False) -> float:
    """The same between two levels as ratios of the amplitude; 1 for levels that no pole passes in a finite time."""
    if not 0 < low < high < 1:
        return 1.0
    return log(high / low if is_falling else (1 - low) / (1 - high)) / RISE_FACTOR


def _as_ratio(level: ReferenceLevel, survey: Survey) -> float:
    if level.is_ratio:
        return level.number
    try:
        return (level.number - survey.levels.low) / survey.levels.amplitude
    except NotMeasurable:
        return math.nan


def edge_of(survey: Survey) -> float | None:
    """10 to 90 % of the fastest kind of edge in a record, mean of all of one slope, s; None where there is none."""
    try:
        found = [find_transitions(survey, slope) for slope in (Slope.RISING, Slope.FALLING)]
    except NotMeasurable:
        return None
    means = [float((one.ends - one.starts).mean()) for one in found if one.middles.size]
    return min(means) * survey.wave.interval if means else None


def _made_of(front_end: FrontEnd) -> str:
    loading = [f"loading {show_quantity(front_end.loading_edge, 's')}"] if front_end.loading_edge else []
    return ", ".join(filter(None, [front_end.bandwidths, *loading])) or "0.35/B"
