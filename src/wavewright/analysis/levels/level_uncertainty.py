"""How well a state level is known from the samples that dwell there."""

from __future__ import annotations

import math

from wavewright.analysis.levels.state_levels import BINS, LevelMethod
from wavewright.analysis.record.survey import Survey


def level_uncertainty(survey: Survey) -> float:
    """Standard uncertainty of one state level, in the waveform's unit.

    Half a code step, rectangular (JCGM 100:2008, 4.3.7), and no better than the method averages noise. 0 of declared
    levels, which are what they are said to be.
    """
    record = survey.record
    if survey.levels.method is LevelMethod.DECLARED:
        return 0.0
    noise = survey.noise / math.sqrt(record.codes.size / 2)
    if survey.levels.has_states and survey.levels.method in (LevelMethod.AUTO, LevelMethod.MODE):
        noise = math.hypot(noise, _wander_of_mode(survey))
    return math.hypot(record.step / math.sqrt(12), noise)


def _wander_of_mode(survey: Survey) -> float:
    """Standard deviation that noise gives to the median of the fullest bin, in the waveform's unit.

    A bin x away from the middle of Gaussian noise holds fewer samples by the share x² / 2σ². It can be the fullest of
    all as long as that is less than the scatter of a count, 1/√n: up to x = √2 · σ · n^(-1/4), half of which is taken
    for the standard deviation. Bins wider than a code add their own width, rectangular, as far as noise fills them.
    """
    record, noise = survey.record, survey.noise
    lowest, highest = survey.extremes
    width = abs(record.wave.gain) * (highest - lowest) / BINS
    half = record.codes.size / 2
    count = min(half, half * max(width, record.step) / (noise * math.sqrt(2 * math.pi))) if noise else half
    within = min(width / math.sqrt(12), noise) if width > record.step else 0.0
    return math.hypot(within, noise / math.sqrt(2) * max(count, 1.0) ** -0.25)
