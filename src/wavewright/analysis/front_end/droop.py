"""Droop: what a signal loses through ac coupling while it stays at a level.

One pole: what stays for the time t drops by 1 − exp(−2π·f·t) of its distance from 0 V; math.
"""

from __future__ import annotations

import math

import numpy as np

from wavewright.analysis.doubts import EXTREMES, LEVELS, Doubt, Finding, Reads
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.fitting.first_order import pulse_droop
from wavewright.analysis.front_end.front_end import FrontEnd, quiet, tone_frequency
from wavewright.analysis.record.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity

NOTICEABLE = 0.01  # of the peak to peak; common practice, no source


def droop(read: Read) -> Finding | None:
    """Levels and peaks that ac coupling has moved, and a tone that it has made smaller."""
    if read.reading.value is None:
        return None
    for survey, front_end in read.pairs:
        if front_end is None or front_end.ac_corner is None:
            continue
        if Reads.SPECTRUM in read.parts and read.reading.unit == survey.unit:
            found = _diminished(read, survey, front_end.ac_corner)
        elif read.parts & (EXTREMES | LEVELS | {Reads.SAMPLES}) and read.reading.unit in (survey.unit, "1"):
            found = _drooped(read, survey, front_end, front_end.ac_corner)
        else:
            found = None
        if found is not None:
            return found
    return None


def tone_loss(frequency: float, corner: float) -> float:
    """Which share of a tone an ac coupling takes, both in Hz: 1 − 1 / √(1 + (f_c / f)²)."""
    return 1 - 1 / math.hypot(1.0, corner / frequency)


def _drooped(read: Read, survey: Survey, front_end: FrontEnd, corner: float) -> Finding | None:
    """What stays on either side of 0 V, which ac coupling puts into the middle of the signal, runs back towards it."""
    still = quiet(survey, front_end)
    if still is not None and still.is_steady:
        return None
    try:
        lowest, highest = sorted(survey.wave.value_of(code) for code in survey.extremes)
        below, above = _longest_stays(survey, 0.0 if lowest < 0.0 < highest else (lowest + highest) / 2)
    except NotMeasurable:
        return None
    sides = (abs(lowest) * pulse_droop(below, corner), abs(highest) * pulse_droop(above, corner))
    lost = sum(sides)
    swing = highest - lowest
    if swing <= 0 or lost < NOTICEABLE * swing:
        return None
    longest = max(below, above)
    text = (
        f"the signal stays at a level for up to {show_quantity(longest, 's')}, in which an ac coupling of "
        f"{show_quantity(corner, 'Hz')} lets it drop by {_percent(pulse_droop(longest, corner))}"
    )
    reach = lost if read.parts in (EXTREMES, LEVELS) else max(sides)
    reach = reach if read.reading.unit == survey.unit else lost / swing
    return Finding(Doubt.DROOP, text, reach, reach, decides=False)


def _longest_stays(survey: Survey, level: float) -> tuple[float, float]:
    """The longest time below and above a level, s; what the record cuts off counts as far as it is there."""
    crossings = survey.crossings(level)
    rising, falling = crossings.rising_places, crossings.falling_places
    places = np.sort(np.concatenate([rising, falling]))
    ends = np.concatenate([[0.0], places, [len(survey) - 1.0]])
    stays = np.diff(ends) * survey.wave.interval
    if places.size:
        begins_below = bool(rising.size and rising[0] == places[0])
    else:
        begins_below = survey.wave.value_of(survey.record.moments.mean) < level
    first, second = float(stays[0::2].max()), float(stays[1::2].max(initial=0.0))
    return (first, second) if begins_below else (second, first)


def _diminished(read: Read, survey: Survey, corner: float) -> Finding | None:
    frequency = tone_frequency(survey)
    if frequency is None or (share := tone_loss(frequency, corner)) < NOTICEABLE:
        return None
    text = (
        f"{show_quantity(frequency, 'Hz')} through an ac coupling of {show_quantity(corner, 'Hz')} lose "
        f"{_percent(share)}"
    )
    return Finding(Doubt.DROOP, text, 0.0, abs(read.reading.value or 0.0) * share / (1 - share), decides=False)


def _percent(share: float) -> str:
    return f"{100 * share:.2g} %"
