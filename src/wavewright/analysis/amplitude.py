"""Vertical metrics that follow from the code histogram alone: extremes, mean, rms."""

from __future__ import annotations

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.reading import Reading
from wavewright.analysis.survey import Survey


@metric("minimum", unit="", source="math: smallest sample")
def minimum(survey: Survey) -> Reading:
    """Minimum: the smallest sample."""
    return Reading(min(survey.wave.value_of(code) for code in survey.extremes), survey.unit)


@metric("maximum", unit="", source="math: largest sample")
def maximum(survey: Survey) -> Reading:
    """Maximum: the largest sample."""
    return Reading(max(survey.wave.value_of(code) for code in survey.extremes), survey.unit)


@metric("peak_to_peak", unit="", source="math: largest minus smallest sample")
def peak_to_peak(survey: Survey) -> Reading:
    """Peak to peak: largest minus smallest sample."""
    lowest, highest = survey.extremes
    return Reading(abs(survey.wave.gain) * (highest - lowest), survey.unit)


@metric("mean", unit="", source="math: arithmetic mean of all samples")
def mean(survey: Survey) -> Reading:
    """Mean: arithmetic mean of all samples of the record."""
    _ = survey.extremes
    histogram = survey.histogram
    return Reading(survey.wave.value_of(float(np.average(histogram.codes, weights=histogram.counts))), survey.unit)
