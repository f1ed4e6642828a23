"""Instants: how well the time of a crossing is known from the samples beside it."""

from __future__ import annotations

import numpy as np

from wavewright.analysis.levels.level_uncertainty import level_uncertainty
from wavewright.analysis.record.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

LOOKED_AT = 64  # crossings, about; the median of their steepness stands for all


def instant_resolution(survey: Survey, places: Floats) -> float:
    """Half-width of the interval that the instant of one crossing can lie in, s: at most half a sample interval.

    Between two samples whose values differ by d the straight line is off by at most q/(2·(d − q)) of the interval for a
    code step q (math: half a step over the least slope that can have given d), and on an edge of amplitude A that is
    not straight by about d/(2·A): for a single-pole edge at its middle that is twice the chord bound (interval/τ)²/8
    (math). The larger of the two counts. The rule itself is ours: common practice, no source.
    """
    if not places.size or survey.record.codes.size < 2:
        return survey.wave.interval / 2
    key = ("resolution", places.size, float(places[0]), float(places[-1]))
    return survey.once(key, lambda: _resolution(survey, places))


def _resolution(survey: Survey, places: Floats) -> float:
    interval, codes = survey.wave.interval, survey.record.codes
    chosen = survey.record.finite_places(places[:: max(1, places.size // LOOKED_AT)])
    before = np.clip(np.floor(chosen).astype(np.int64), 0, codes.size - 2)
    change = np.abs(survey.wave.gain * (codes[before + 1].astype(np.float64) - codes[before].astype(np.float64)))
    try:
        amplitude = survey.levels.amplitude
    except NotMeasurable:
        amplitude = float(change.max())
    typical = float(np.sort(change)[change.size // 2])
    if not typical or not amplitude:
        return interval / 2
    step = survey.record.step
    quantised = step / (typical - step) if typical > step else 1.0
    return interval / 2 * min(1.0, max(quantised if step else 0.0, typical / amplitude))


def instant_scatter(survey: Survey, places: Floats, *, level_is_found: bool) -> tuple[float, float]:
    """What noise does to the instant of a crossing, s, standard: to each by itself, and to all by the level in common.

    Noise over the steepness there (math); a level that is a ratio is as uncertain as the state levels that it is taken
    from. The straight line between two samples averages their noise a little, which is left aside.
    """
    steepness = _steepness(survey, places)
    if not steepness:
        return 0.0, 0.0
    return survey.noise / steepness, (level_uncertainty(survey) / steepness if level_is_found else 0.0)


def _steepness(survey: Survey, places: Floats) -> float:
    """Median change per second over some samples on either side of crossings, in the unit; 0 where there is none."""
    codes = survey.record.codes
    if not places.size or codes.size < 2:
        return 0.0
    chosen = survey.record.finite_places(places[:: max(1, places.size // LOOKED_AT)])
    before = np.clip(np.floor(chosen).astype(np.int64), 0, codes.size - 2)
    changes = np.abs(codes[before + 1].astype(np.float64) - codes[before].astype(np.float64))
    return float(np.median(changes)) * abs(survey.wave.gain) / survey.wave.interval


def difference_resolution(survey: Survey, places: Floats) -> float:
    """The same for the difference of two such instants, s."""
    return float(np.sqrt(2)) * instant_resolution(survey, places)


def resolution_at(survey: Survey, times: Floats, *, origin: float) -> float:
    """The same for crossings that are known by their times, s after `origin` on the time axis."""
    return instant_resolution(survey, (times - (survey.wave.start - origin)) / survey.wave.interval)
