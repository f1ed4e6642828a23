"""Pulses: how long the waveform stays on one side of a level, and what part of the period that is."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.levels.extreme_lift import lift_of_largest
from wavewright.analysis.parameters import Hysteresis, ReferenceLevel
from wavewright.analysis.reading import Doubt, Occurrences, Reading
from wavewright.analysis.record.crossings import Crossings
from wavewright.analysis.record.interleaving import places_among
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.crossing_resolution import (
    LevelEffect,
    difference_resolution,
    level_effect,
    noise_of_instant,
)
from wavewright.analysis.time.edges import MIDDLE, edges, noise_doubts, period_doubts, told_noise, too_few
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

SOURCE = "IEEE 181-2011, term 'pulse duration' †; 50 %: FED-STD-1037C"
FEW_SAMPLES = 5
SCATTER_OF_FEW = 0.7  # standard deviation of the largest of five or six normal values, in that of one (math)


class Polarity(StrEnum):
    """Which pulses: those above the level, those below, or both."""

    POSITIVE = "positive"
    NEGATIVE = "negative"
    EITHER = "either"


@dataclass(frozen=True, slots=True, eq=False)
class Pulses:
    """Whole pulses in order of time, shape (n,): where each begins, and how long it lasts, in samples."""

    begins: Floats
    lengths: Floats


@metric("positive_pulse_width", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def positive_pulse_width(
    survey: Survey, *, level: ReferenceLevel = MIDDLE, hysteresis: Hysteresis | None = None
) -> Reading:
    """Positive pulse width: time from a rising edge to the next falling one, mean of all whole pulses.

    Drawing
    -------
        ┌──────┐      ┌───
        ┼┈┈┈┈┈┈┼┈┈┈┈┈┈┼┈  level
      ──┘      └──────┘
        ├width ┤

    Raises
    ------
    NotMeasurable : no rising edge with a falling one after it.
    """
    return _width(survey, Polarity.POSITIVE, level, hysteresis)


@metric("negative_pulse_width", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def negative_pulse_width(
    survey: Survey, *, level: ReferenceLevel = MIDDLE, hysteresis: Hysteresis | None = None
) -> Reading:
    """Negative pulse width: time from a falling edge to the next rising one, mean of all whole pulses.

    Drawing
    -------
      ──┐      ┌──────┐
        ┼┈┈┈┈┈┈┼┈┈┈┈┈┈┼┈  level
        └──────┘      └───
        ├width ┤

    Raises
    ------
    NotMeasurable : no falling edge with a rising one after it.
    """
    return _width(survey, Polarity.NEGATIVE, level, hysteresis)


@metric(
    "duty_factor",
    reads=Reads.EDGES,
    unit="1",
    source="FED-STD-1037C, 'duty cycle'",
    reads_levels=True,
)
def duty_factor(survey: Survey, *, level: ReferenceLevel = MIDDLE, hysteresis: Hysteresis | None = None) -> Reading:
    """Duty factor: duration of the positive pulse over the period, mean of all whole periods.

    Drawing
    -------
        ┌──────┐          ┌───
        ┼┈┈┈┈┈┈┼┈┈┈┈┈┈┈┈┈┈┼┈  level
      ──┘      └──────────┘
        ├width ┤
        ├───── period ────┤    duty factor = width / period

    Where the record holds more whole periods from falling to falling edge, these are taken.

    Raises
    ------
    NotMeasurable : no whole period.
    """
    found = edges(survey, level, hysteresis)
    rising, falling = found.rising_places, found.falling_places
    if max(rising.size, falling.size) < 2:
        raise too_few(survey, found, level, expected="two of the same slope, which bound one period")
    if rising.size >= falling.size:
        bounds = rising
        widths = falling[places_among(falling, rising[:-1])] - rising[:-1]
    else:
        bounds = falling
        widths = falling[1:] - rising[places_among(rising, falling[:-1])]
    periods = np.diff(bounds)
    shorter = float(np.mean(np.minimum(widths, periods - widths)))
    few = (Doubt.FEW_SAMPLES,) if shorter < FEW_SAMPLES else ()
    period = survey.wave.interval * float(periods.mean())
    shift = level_effect(survey, level, falling, rising=False) - level_effect(survey, level, rising, rising=True)
    return Reading.of_occurrences(
        widths / periods,
        times=survey.wave.start + survey.wave.interval * bounds[:-1],
        unit="1",
        doubts=(*few, *period_doubts(survey, periods)),
        resolution=difference_resolution(survey, rising, falling) / period,
        shared=shift.uncertainty(survey) / period,
        single=math.sqrt(2) * noise_of_instant(survey, bounds) / period,
    )


@metric("pulses", reads=Reads.COUNTS, unit="count", source="math: count of whole pulses", reads_levels=True)
def pulses(
    survey: Survey,
    *,
    polarity: Polarity = Polarity.POSITIVE,
    level: ReferenceLevel = MIDDLE,
    hysteresis: Hysteresis | None = None,
) -> Reading:
    """Pulses: number of whole pulses in the record, each with both of its edges.

    Definition
    ----------
    Pairs of a rising edge and the falling one after it; for negative pulses the reverse. 0 if there are none.

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    _ = survey.extremes
    try:
        crossings = edges(survey, level, hysteresis)
        found = find_pulses(crossings, polarity)
    except NotMeasurable:
        return Reading(0.0, "count", count=0)
    times = survey.wave.start + survey.wave.interval * found.begins
    return Reading(
        float(times.size),
        "count",
        count=times.size,
        occurrences=Occurrences(times, np.ones(times.size)),
        doubts=told_noise(survey, crossings),
    )


@metric("longest_pulse", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def longest_pulse(
    survey: Survey,
    *,
    polarity: Polarity = Polarity.POSITIVE,
    level: ReferenceLevel = MIDDLE,
    hysteresis: Hysteresis | None = None,
) -> Reading:
    """Longest pulse: the greatest width among all whole pulses; the occurrence is that pulse.

    Definition
    ----------
    max of the pulse widths. Pulses cut by an end of the record do not count.

    Raises
    ------
    NotMeasurable : no whole pulse.
    """
    return _one_pulse(survey, polarity, level, hysteresis, longest=True)


@metric("shortest_pulse", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def shortest_pulse(
    survey: Survey,
    *,
    polarity: Polarity = Polarity.POSITIVE,
    level: ReferenceLevel = MIDDLE,
    hysteresis: Hysteresis | None = None,
) -> Reading:
    """Shortest pulse: the smallest width among all whole pulses; the occurrence is that pulse.

    Definition
    ----------
    min of the pulse widths. Pulses cut by an end of the record do not count.

    Raises
    ------
    NotMeasurable : no whole pulse.
    """
    return _one_pulse(survey, polarity, level, hysteresis, longest=False)


def find_pulses(found: Crossings, polarity: Polarity) -> Pulses:
    """All whole pulses of a polarity."""
    rising, falling = found.rising_places, found.falling_places
    if polarity is Polarity.EITHER:
        places = found.either_places
        return Pulses(places[:-1], np.diff(places))
    opens, closes = (rising, falling) if polarity is Polarity.POSITIVE else (falling, rising)
    if opens.size and closes.size and closes[0] < opens[0]:  # edges alternate: only the first can be out of step
        closes = closes[1:]
    opens = opens[: closes.size]
    return Pulses(opens, closes[: opens.size] - opens)


def whole_pulses(
    survey: Survey, polarity: Polarity, level: ReferenceLevel, hysteresis: ReferenceLevel | None
) -> Pulses:
    """All whole pulses of a polarity, of which there is at least one.

    Raises
    ------
    NotMeasurable : there is none.
    """
    found = edges(survey, level, hysteresis)
    taken = find_pulses(found, polarity)
    if not taken.begins.size:
        raise too_few(survey, found, level, expected=f"the two that bound a {polarity} pulse")
    return taken


def _width(survey: Survey, polarity: Polarity, level: ReferenceLevel, hysteresis: ReferenceLevel | None) -> Reading:
    taken = whole_pulses(survey, polarity, level, hysteresis)
    return Reading.of_occurrences(
        survey.wave.interval * taken.lengths,
        times=survey.wave.start + survey.wave.interval * taken.begins,
        unit="s",
        doubts=_doubts(survey, taken),
        resolution=difference_resolution(survey, taken.begins, taken.begins + taken.lengths),
        shared=_level_effect(survey, level, taken, polarity).uncertainty(survey),
        single=math.sqrt(2) * noise_of_instant(survey, taken.begins),
    )


def _of_one(count: int) -> float:
    """Standard uncertainty of the longest of this many pulses, in that of any one of them."""
    return math.hypot(SCATTER_OF_FEW, lift_of_largest(count)) if count > 1 else 1.0


def _level_effect(survey: Survey, level: ReferenceLevel, taken: Pulses, polarity: Polarity) -> LevelEffect:
    """What errors of the state levels do to every pulse; of either polarity they do it both ways, and as much."""
    rising = polarity is not Polarity.NEGATIVE
    begins = level_effect(survey, level, taken.begins, rising=rising)
    return level_effect(survey, level, taken.begins + taken.lengths, rising=not rising) - begins


def _one_pulse(
    survey: Survey,
    polarity: Polarity,
    level: ReferenceLevel,
    hysteresis: ReferenceLevel | None,
    *,
    longest: bool,
) -> Reading:
    taken = whole_pulses(survey, polarity, level, hysteresis)
    chosen = int(taken.lengths.argmax() if longest else taken.lengths.argmin())
    one = slice(chosen, chosen + 1)
    reading = Reading.of_occurrences(
        survey.wave.interval * taken.lengths[one],
        times=survey.wave.start + survey.wave.interval * taken.begins[one],
        unit="s",
        doubts=_doubts(survey, Pulses(taken.begins[one], taken.lengths[one])),
        resolution=difference_resolution(survey, taken.begins[one], (taken.begins + taken.lengths)[one]),
        shared=_level_effect(survey, level, taken, polarity).uncertainty(survey),
        # noise makes the longest of many longer, and the shortest shorter
        single=math.sqrt(2) * noise_of_instant(survey, taken.begins) * _of_one(taken.lengths.size),
    )
    return replace(reading, at=survey.wave.time_of(float(taken.begins[chosen])))


def _doubts(survey: Survey, taken: Pulses) -> tuple[Doubt, ...]:
    few = (Doubt.FEW_SAMPLES,) if float(np.mean(taken.lengths)) < FEW_SAMPLES else ()
    return (*few, *noise_doubts(survey))
