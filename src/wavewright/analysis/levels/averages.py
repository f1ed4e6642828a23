"""Averages over all samples of the record: mean, rms, rectified mean, and the factors between them.

They follow from the code histogram exactly. None of them looks for periods: of a record that holds a broken number of
periods they are the averages of that record, not of a period; `cycle_mean` and `cycle_rms` are for that.
"""

from __future__ import annotations

import math

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import EXTREMES, Reads
from wavewright.analysis.levels.quantisation import share_of_step
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.blocks import blocks
from wavewright.analysis.record.survey import Survey
from wavewright.errors import NotMeasurable


@metric("mean", reads=Reads.SAMPLES, unit="", source="math: arithmetic mean of all samples")
def mean(survey: Survey) -> Reading:
    """Mean: arithmetic mean of all samples of the record.

    Definition
    ----------
    Σ v[k] / n.

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    return _average(survey, mean_value(survey))


@metric("rms", reads=Reads.SAMPLES, unit="", source="math: root of the mean square of all samples")
def rms(survey: Survey) -> Reading:
    """RMS: root of the mean of the squares of all samples, DC component included.

    Definition
    ----------
    √(Σ v[k]² / n) = √(mean² + ac_rms²).

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    return _average(survey, rms_value(survey))


@metric("ac_rms", reads=Reads.SAMPLES, unit="", source="math: root of the mean square of the distances from the mean")
def ac_rms(survey: Survey) -> Reading:
    """AC RMS: rms of the waveform after its mean has been subtracted.

    Definition
    ----------
    √(Σ (v[k] − mean)² / n): the standard deviation with n, not n − 1.

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    return _average(survey, abs(survey.wave.gain) * math.sqrt(survey.record.moments.variance))


@metric("rectified_mean", reads=Reads.SAMPLES, unit="", source="math: arithmetic mean of the magnitudes of all samples")
def rectified_mean(survey: Survey) -> Reading:
    """Rectified mean: arithmetic mean of the magnitudes of all samples.

    Definition
    ----------
    Σ |v[k]| / n.

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    return _average(survey, _rectified_value(survey))


@metric("crest_factor", reads=(*EXTREMES, Reads.SAMPLES), unit="number", source="math: largest magnitude over rms")
def crest_factor(survey: Survey) -> Reading:
    """Crest factor: the largest magnitude over the rms of the record.

    Definition
    ----------
    max |v[k]| / rms: √2 for a sine, √3 for a triangle, 1 for a square about 0.

    Raises
    ------
    NotMeasurable : no valid sample, or all are 0.
    """
    peak = max(abs(survey.wave.value_of(code)) for code in survey.extremes)
    factor = _ratio(survey, peak, rms_value(survey))
    # half a code or one standard deviation of the noise for the peak, as for a maximum
    of_peak = math.hypot(survey.record.noise, survey.record.step / math.sqrt(12))
    return Reading(factor, "number", _uncertainty_of_ratio(survey, of_peak, factor, rms_value(survey)))


@metric("form_factor", reads=Reads.SAMPLES, unit="number", source="math: rms over rectified mean")
def form_factor(survey: Survey) -> Reading:
    """Form factor: the rms over the rectified mean of the record.

    Definition
    ----------
    rms / rectified mean: π/(2·√2) for a sine, 2/√3 for a triangle, 1 for a square about 0.

    Raises
    ------
    NotMeasurable : no valid sample, or all are 0.
    """
    factor = _ratio(survey, rms_value(survey), _rectified_value(survey))
    of_rms = uncertainty_of_average(survey) or 0.0
    return Reading(factor, "number", _uncertainty_of_ratio(survey, of_rms, factor, _rectified_value(survey)))


def mean_value(survey: Survey) -> float:
    """Mean of the record in the waveform's unit."""
    return survey.wave.value_of(survey.record.moments.mean)


def rms_value(survey: Survey) -> float:
    """RMS of the record in the waveform's unit."""
    return math.hypot(mean_value(survey), survey.wave.gain * math.sqrt(survey.record.moments.variance))


def _rectified_value(survey: Survey) -> float:
    wave, histogram = survey.wave, survey.histogram
    lowest, highest = survey.extremes
    if wave.value_of(lowest) * wave.value_of(highest) >= 0:  # all on one side of 0
        return abs(mean_value(survey))
    if histogram.is_exact:
        return float(np.average(np.abs(wave.offset + wave.gain * histogram.codes), weights=histogram.counts))
    codes = survey.record.codes
    sums = [float(np.abs(wave.offset + wave.gain * part.astype(np.float64)).sum()) for part in blocks(codes)]
    return math.fsum(sums) / codes.size


def _average(survey: Survey, value: float) -> Reading:
    if not math.isfinite(value):
        raise NotMeasurable(
            f"`{survey.name}`: the sum over its samples is beyond what float64 holds",
            expected="values below about 1e150",
            do="state the scale in a smaller unit",
        )
    return Reading(value, survey.unit, uncertainty=uncertainty_of_average(survey))


def uncertainty_of_average(survey: Survey) -> float | None:
    """Standard uncertainty of an average over the record, in its unit: noise over √n, and what is left of a code step.

    JCGM 100:2008, 4.2.3 for the noise; 4.3.7 for the step, taken as an error that all samples share as far as noise
    does not spread them over several codes. The same for means and for rms.
    """
    record = survey.record
    left = record.step / math.sqrt(12) * share_of_step(survey)
    return math.hypot(record.noise / math.sqrt(max(1, record.codes.size)), left) or None


def _uncertainty_of_ratio(survey: Survey, of_dividend: float, ratio: float, divisor: float) -> float | None:
    """Of a dividend over an average: both parts as if they were independent (JCGM 100:2008, 5.1.3)."""
    of_divisor = uncertainty_of_average(survey) or 0.0
    return math.hypot(of_dividend, ratio * of_divisor) / divisor or None


def _ratio(survey: Survey, dividend: float, divisor: float) -> float:
    if not divisor:
        raise NotMeasurable(f"`{survey.name}`: all samples are 0", expected="a waveform that is not 0 throughout")
    if not math.isfinite(divisor):
        dividend = math.inf  # the quotient would be 0
    return _average(survey, dividend / divisor).value or 0.0
