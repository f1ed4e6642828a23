"""Extremes: the smallest and the largest sample, and the distance between them."""

from __future__ import annotations

import math

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import EXTREMES, Reads
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey


@metric("minimum", reads=Reads.LOWEST, unit="", source="math: smallest sample")
def minimum(survey: Survey) -> Reading:
    """Minimum: the smallest sample of the record.

    Definition
    ----------
    min v[k]. One code is known to half a step, taken as rectangular (JCGM 100:2008, 4.3.7).

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    return _sample(survey, min(survey.wave.value_of(code) for code in survey.extremes))


@metric("maximum", reads=Reads.HIGHEST, unit="", source="math: largest sample")
def maximum(survey: Survey) -> Reading:
    """Maximum: the largest sample of the record.

    Definition
    ----------
    max v[k]. One code is known to half a step, taken as rectangular (JCGM 100:2008, 4.3.7).

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    return _sample(survey, max(survey.wave.value_of(code) for code in survey.extremes))


@metric("peak_to_peak", reads=EXTREMES, unit="", source="math: largest minus smallest sample")
def peak_to_peak(survey: Survey) -> Reading:
    """Peak to peak: the largest minus the smallest sample of the record.

    Drawing
    -------
        ╭─╮     ╭─╮   ─┬─ maximum
       ╱   ╲   ╱   ╲   │
      ╱     ╲ ╱     ╲  │ peak to peak
             ╯        ─┴─ minimum

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    lowest, highest = survey.extremes
    return _sample(survey, abs(survey.wave.gain) * (highest - lowest), ends=2)


def _sample(survey: Survey, value: float, ends: int = 1) -> Reading:
    step = survey.record.step
    return Reading(value, survey.unit, uncertainty=math.sqrt(ends / 12) * step if step else None)
