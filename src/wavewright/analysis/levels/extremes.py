"""Extremes: the smallest and the largest sample, and the distance between them.

What the waveform may have done beyond them between two samples is in the uncertainty, and a doubt where it is much.
"""

from __future__ import annotations

import math
from dataclasses import replace

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import EXTREMES, Doubt, Finding, Reads
from wavewright.analysis.levels.between_samples import is_noticeable, missed_beyond
from wavewright.analysis.levels.extreme_lift import OF_LIFT
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.quantities import show_quantity


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
    return _sample(
        survey, min(survey.wave.value_of(code) for code in survey.extremes), below=_missed(survey, high=False)
    )


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
    return _sample(
        survey, max(survey.wave.value_of(code) for code in survey.extremes), above=_missed(survey, high=True)
    )


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
    missed = [_missed(survey, high=high) for high in (False, True)]
    return _sample(survey, abs(survey.wave.gain) * (highest - lowest), ends=2, above=sum(missed))


def _missed(survey: Survey, *, high: bool) -> float:
    """How far the waveform may lie beyond its lowest or its highest sample, in its unit."""
    upward = high == (survey.wave.gain > 0)
    return missed_beyond(survey, survey.extremes[upward], upward=upward)


def _sample(survey: Survey, value: float, *, ends: int = 1, below: float = 0.0, above: float = 0.0) -> Reading:
    """The reading: half a step at each end, rectangular, and what may have been missed, which shifts it one way."""
    step, missed = survey.record.step, below + above
    if not missed:
        return Reading(value, survey.unit, uncertainty=math.sqrt(ends / 12) * step if step else None)
    reading = Reading(value, survey.unit, uncertainty=math.hypot(math.sqrt(ends / 12) * step, OF_LIFT * missed))
    if not is_noticeable(survey, missed, ends=ends):
        return reading
    text = f"between two samples the waveform may go {show_quantity(missed, survey.unit)} further"
    found = Finding(Doubt.FEW_SAMPLES, text, below, above, decides=False)
    return replace(reading, doubts=(found.doubt,), findings=(found,))
