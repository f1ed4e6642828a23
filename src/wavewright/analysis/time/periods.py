"""Periods: the time from one edge to the next of the same slope, its inverse, and how many there are."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.fitting.line_fit import fit_line
from wavewright.analysis.parameters import Hysteresis, ReferenceLevel
from wavewright.analysis.reading import Occurrences, Reading
from wavewright.analysis.record.crossings import Crossings
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.crossing_resolution import difference_resolution, noise_of_instant
from wavewright.analysis.time.edges import MIDDLE, edges, period_doubts, told_noise, too_few
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

SOURCE = "IEEE 181-2011, term 'waveform period' †"


@metric("period", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def period(survey: Survey, *, level: ReferenceLevel = MIDDLE, hysteresis: Hysteresis | None = None) -> Reading:
    """Period: time from one rising edge to the next at the middle reference level, mean of all whole periods.

    Drawing
    -------
        ┌──────┐      ┌──────┐
        ┼┈┈┈┈┈┈┼┈┈┈┈┈┈┼┈┈┈┈┈┈┼┈  level
      ──┘      └──────┘      └──
        ├── period ───┤

    Falling edges are taken where there are more of them. The mean is the time between two instants over the number of
    periods, so its uncertainty is that of these two: what the instants scatter by about an even row of them, or what
    noise gives them if that is more, and their resolution.

    Raises
    ------
    NotMeasurable : fewer than two edges of the same slope.
    """
    return survey.once(("period", level, hysteresis), lambda: _period(survey, level, hysteresis))


@metric(
    "frequency", reads=Reads.EDGES, unit="Hz", source=SOURCE + "; frequency is its inverse (math)", reads_levels=True
)
def frequency(survey: Survey, *, level: ReferenceLevel = MIDDLE, hysteresis: Hysteresis | None = None) -> Reading:
    """Frequency: whole periods per time, which is the inverse of the mean period.

    Definition
    ----------
    n / (t[n] − t[0]) over n whole periods. Minimum, maximum and occurrences are those of single periods.

    Raises
    ------
    NotMeasurable : fewer than two edges of the same slope.
    """
    mean = period(survey, level=level, hysteresis=hysteresis)
    if mean.value is None or mean.occurrences is None:
        raise too_few(survey, edges(survey, level, hysteresis), level, expected="two of the same slope")
    each = 1 / mean.occurrences.values
    return replace(
        mean,
        value=1 / mean.value,
        unit="Hz",
        uncertainty=None if mean.uncertainty is None else mean.uncertainty / square(mean.value),
        minimum=float(each.min()),
        maximum=float(each.max()),
        standard_deviation=float(each.std(ddof=1)) if each.size > 1 else None,
        occurrences=Occurrences(mean.occurrences.times, each),
    )


@metric("cycles", reads=Reads.COUNTS, unit="count", source="math: count of whole periods", reads_levels=True)
def cycles(survey: Survey, *, level: ReferenceLevel = MIDDLE, hysteresis: Hysteresis | None = None) -> Reading:
    """Cycles: number of whole periods in the record, from edge to edge of the same slope.

    Definition
    ----------
    The larger of the numbers of rising and of falling edges, less one; 0 where there is no edge.

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    found = _edges_or_none(survey, level, hysteresis)
    places = cycle_places(found)
    number = max(places.size - 1, 0)
    return Reading(float(number), "count", count=number, doubts=told_noise(survey, found))


@metric("rising_edges", reads=Reads.COUNTS, unit="count", source="math: count of rising crossings", reads_levels=True)
def rising_edges(survey: Survey, *, level: ReferenceLevel = MIDDLE, hysteresis: Hysteresis | None = None) -> Reading:
    """Rising edges: how many times the level is crossed upwards in the record.

    Definition
    ----------
    One for each upward crossing of `level` through the whole hysteresis band; 0 if there are none.

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    found = _edges_or_none(survey, level, hysteresis)
    return _count(survey, found, found.rising_places)


@metric("falling_edges", reads=Reads.COUNTS, unit="count", source="math: count of falling crossings", reads_levels=True)
def falling_edges(survey: Survey, *, level: ReferenceLevel = MIDDLE, hysteresis: Hysteresis | None = None) -> Reading:
    """Falling edges: how many times the level is crossed downwards in the record.

    Definition
    ----------
    One for each downward crossing of `level` through the whole hysteresis band; 0 if there are none.

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    found = _edges_or_none(survey, level, hysteresis)
    return _count(survey, found, found.falling_places)


def cycle_places(found: Crossings) -> Floats:
    """Places of the edges that bound the cycles: the rising ones, or the falling ones where there are more."""
    return found.rising_places if found.rising_places.size >= found.falling_places.size else found.falling_places


def _period(survey: Survey, level: ReferenceLevel, hysteresis: ReferenceLevel | None) -> Reading:
    found = edges(survey, level, hysteresis)
    places = cycle_places(found)
    if places.size < 2:
        raise too_few(survey, found, level, expected="two of the same slope, which bound one period")
    each = np.diff(places)
    found_periods = Reading.of_occurrences(
        survey.wave.interval * each,
        times=survey.wave.start + survey.wave.interval * places[:-1],
        unit="s",
        doubts=period_doubts(survey, each),
    )
    noise = max(noise_of_instant(survey, places), survey.wave.interval * _scatter_of_instants(places))
    resolution = difference_resolution(survey, places) / math.sqrt(3)
    return replace(found_periods, uncertainty=math.hypot(math.sqrt(2) * noise, resolution) / each.size)


def _scatter_of_instants(places: Floats) -> float:
    """Standard deviation of instants about the even row that fits them best, in samples; 0 of fewer than three."""
    if places.size < 3:
        return 0.0
    return fit_line(np.arange(places.size, dtype=np.float64), places).residual


def _edges_or_none(survey: Survey, level: ReferenceLevel, hysteresis: ReferenceLevel | None) -> Crossings:
    """The edges; none in a record without two different codes, where no level lies between two states."""
    _ = survey.extremes
    try:
        return edges(survey, level, hysteresis)
    except NotMeasurable:
        return Crossings(np.empty(0), np.empty(0))


def _count(survey: Survey, found: Crossings, places: Floats) -> Reading:
    times = survey.wave.start + survey.wave.interval * places
    return Reading(
        float(times.size),
        "count",
        count=times.size,
        occurrences=Occurrences(times, np.ones(times.size)),
        doubts=told_noise(survey, found),
    )
