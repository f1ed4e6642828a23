"""What noise does to the largest of many values: it lies beyond the largest true one, and by about how much."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from wavewright.analysis.record.survey import Survey

COVERED = 0.95
NORMAL_FACTOR = NormalDist().inv_cdf((1 + COVERED) / 2)
NEAR = 3.0  # standard deviations of the noise below an extreme, where the samples lie that might have been it


def lift_of_largest(count: float, *, ends: int = 1) -> float:
    """Standard uncertainty, in standard deviations of the noise, of the largest of so many equal values.

    The largest of n noisy values is below Φ⁻¹(0.95^(1/n)) with 95 % probability (math), and hardly ever below the true
    one. Nobody takes that off, so the interval has to reach so far: this is what gives it that reach with the factor
    1.96 of a normal distribution.

    Parameters
    ----------
    count : of values, ≥ 1; `ends` : 2 for the distance from the smallest to the largest: both lie too far out, but
        seldom both by much: 0.88 stands for 0.95 there (math: the distances of two add up, their scatter in squares).
    """
    share = COVERED if ends == 1 else 0.88
    reach = NormalDist().inv_cdf(share ** (1 / max(count, 1.0)))
    return ends * max(reach, 0.0) / NORMAL_FACTOR


def samples_near(survey: Survey, *, highest: bool) -> float:
    """About how many samples may have been the extreme: those within 3 standard deviations of the noise, and again so
    many, which lie on the other side of the true value."""
    histogram, wave = survey.histogram, survey.wave
    reach = NEAR * survey.noise / abs(wave.gain)
    lowest, last = survey.extremes
    if highest == (wave.gain > 0):
        first = int(np.searchsorted(histogram.codes, last - reach, side="left"))
        return 2.0 * float(histogram.counts[first:].sum())
    end = int(np.searchsorted(histogram.codes, lowest + reach, side="right"))
    return 2.0 * float(histogram.counts[:end].sum())


def lift_of_extreme(survey: Survey, *, highest: bool) -> float:
    """Standard uncertainty that noise gives to the highest or the lowest sample, in the waveform's unit."""
    return survey.noise * lift_of_largest(samples_near(survey, highest=highest)) if survey.noise else 0.0


def lift_of_span(survey: Survey) -> float:
    """The same of the distance from the lowest to the highest sample."""
    if not survey.noise:
        return 0.0
    count = max(samples_near(survey, highest=True), samples_near(survey, highest=False))
    return survey.noise * lift_of_largest(count, ends=2)
