"""Averages over whole periods: what a broken period at the ends of the record would falsify is left out."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.levels.averages import uncertainty_of_average
from wavewright.analysis.parameters import Hysteresis, ReferenceLevel
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.edges import MIDDLE, edges, period_doubts, too_few
from wavewright.analysis.time.periods import cycle_places

SOURCE = "math: integral over whole periods by the trapezoidal rule, which ends at the interpolated edges"


@metric("cycle_mean", reads=(Reads.SAMPLES, Reads.EDGES), unit="", source=SOURCE, reads_levels=True)
def cycle_mean(survey: Survey, *, level: ReferenceLevel = MIDDLE, hysteresis: Hysteresis | None = None) -> Reading:
    """Cycle mean: mean over all whole periods of the record.

    Definition
    ----------
    ∫ v dt / (t[n] − t[0]) from the first edge to the last one of the same slope.

    Raises
    ------
    NotMeasurable : no whole period.
    """
    mean, _, reading = _over_cycles(survey, level, hysteresis)
    return reading(mean)


@metric("cycle_rms", reads=(Reads.SAMPLES, Reads.EDGES), unit="", source=SOURCE, reads_levels=True)
def cycle_rms(survey: Survey, *, level: ReferenceLevel = MIDDLE, hysteresis: Hysteresis | None = None) -> Reading:
    """Cycle RMS: root of the mean square over all whole periods of the record, DC component included.

    Definition
    ----------
    √(∫ v² dt / (t[n] − t[0])) from the first edge to the last one of the same slope.

    Raises
    ------
    NotMeasurable : no whole period.
    """
    mean, variance, reading = _over_cycles(survey, level, hysteresis)
    return reading(math.hypot(mean, math.sqrt(variance)))


def _over_cycles(
    survey: Survey, level: ReferenceLevel, hysteresis: ReferenceLevel | None
) -> tuple[float, float, Callable[[float], Reading]]:
    """Mean and variance over all whole periods, and what makes a reading of a value."""
    found = edges(survey, level, hysteresis)
    places = cycle_places(found)
    if places.size < 2:
        raise too_few(survey, found, level, expected="two of the same slope, which bound one period")
    begin, end, edge = float(places[0]), float(places[-1]), survey.level(level)
    mean, variance = survey.once(("cycles", begin, end, edge), lambda: _integrals(survey, begin, end, edge))
    doubts = period_doubts(survey, np.diff(places))
    uncertainty = uncertainty_of_average(survey)
    return mean, variance, lambda value: Reading(value, survey.unit, uncertainty, doubts, count=places.size - 1)


def _integrals(survey: Survey, begin: float, end: float, edge: float) -> tuple[float, float]:
    """Mean and variance between two places, at both of which the waveform is at `edge`.

    Everything is reckoned from the mean of the samples inside, so that a huge offset costs no digits.
    """
    wave, record = survey.wave, survey.record
    begin, end = (float(place) for place in record.finite_places(np.array([begin, end])))
    first, last = math.ceil(begin), math.floor(end)
    inside = record.moments_between(first, last + 1)
    centre = wave.value_of(inside.mean)
    ends = wave.offset + wave.gain * record.codes[[first, last]].astype(np.float64) - centre
    at_edge = edge - centre
    parts = np.array([first - begin, end - last])
    span = end - begin
    shift = float(np.sum(parts * (at_edge + ends) / 2) - ends.sum() / 2) / span
    squares = square(wave.gain) * inside.variance * inside.count
    squares += float(np.sum(parts * (square(at_edge) + square(ends)) / 2) - np.sum(square(ends)) / 2)
    return centre + shift, max(0.0, squares / span - square(shift))
