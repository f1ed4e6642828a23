"""Time at a level: for how much of the record the waveform is above it, and for how much below."""

from __future__ import annotations

import math

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.crossing_resolution import instant_resolution, instant_scatter
from wavewright.analysis.time.edges import MIDDLE, told_noise

SOURCE = "math: sum of the times between crossings of the level"


@metric("time_above", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def time_above(survey: Survey, *, level: ReferenceLevel = MIDDLE) -> Reading:
    """Time above: how long the waveform is above a level, from the first to the last sample of the record.

    Drawing
    -------
         ╭───╮     ╭──╮
      ┈┈┈┼┈┈┈┼┈┈┈┈┈┼┈┈┼┈┈  level
      ───╯   ╰─────╯  ╰──
         ├─a─┤     ├b─┤    time above = a + b

    Raises
    ------
    NotMeasurable : no valid sample, or the level is a ratio and there are no states.
    """
    return _time(survey, level, above=True)


@metric("time_below", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def time_below(survey: Survey, *, level: ReferenceLevel = MIDDLE) -> Reading:
    """Time below: how long the waveform is below a level, from the first to the last sample of the record.

    Definition
    ----------
    Duration between the first and the last sample, less the time above.

    Raises
    ------
    NotMeasurable : no valid sample, or the level is a ratio and there are no states.
    """
    return _time(survey, level, above=False)


def _time(survey: Survey, level: ReferenceLevel, *, above: bool) -> Reading:
    _ = survey.extremes
    value = survey.level(level)
    found = survey.crossings(value)
    opens, closes = found.rising_places, found.falling_places
    last = float(len(survey) - 1)
    starts_above = closes.size > 0 and (not opens.size or closes[0] < opens[0])
    if not opens.size and not closes.size:
        starts_above = _mostly_above(survey, value)
    begins = np.concatenate([[0.0], opens]) if starts_above else opens
    ends = closes if closes.size == begins.size else np.append(closes, last)
    total = float(np.sum(ends - begins))
    number = found.either_places.size
    resolution = instant_resolution(survey, found.either_places) / np.sqrt(3)
    alone, shared = instant_scatter(survey, found.either_places, level_is_found=level.is_ratio)
    # what is common to all edges, an error of the level, makes every pulse longer or every one shorter
    uncertainty = math.hypot(math.sqrt(number) * math.hypot(resolution, alone), number * shared)
    return Reading(
        survey.wave.interval * (total if above else last - total),
        unit="s",
        uncertainty=uncertainty or None,
        doubts=told_noise(survey, found),
    )


def _mostly_above(survey: Survey, value: float) -> bool:
    """Where the level is never crossed: on which side of it the middle of the extremes lies."""
    lowest, highest = survey.extremes
    return survey.wave.value_of((lowest + highest) / 2) > value
