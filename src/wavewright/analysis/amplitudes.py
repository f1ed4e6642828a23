"""Amplitudes: the levels of the two states, and the distance between them."""

from __future__ import annotations

import math

from wavewright.analysis.catalogue import metric
from wavewright.analysis.edges import noise_doubts, state_doubts
from wavewright.analysis.levels import BINS, LevelMethod
from wavewright.analysis.reading import Reading
from wavewright.analysis.survey import Survey

SOURCE = "IEEE 181-2011, terms 'state level' and 'waveform amplitude' (from memory, not verified)"


@metric("high_level", unit="", source=SOURCE, reads_levels=True)
def high_level(survey: Survey) -> Reading:
    """High level: the level of the high state.

    Drawing
    -------
          ╭╮
      ┈┈┈┈┼╰────────╮┈┈┈┈  high level
          │         │
      ────╯┈┈┈┈┈┈┈┈┈╰────  low level

    How it is found, `levels` says: the histogram's mode where the waveform dwells, else the maximum.

    Raises
    ------
    NotMeasurable : fewer than two different codes.
    """
    return _level(survey, survey.levels.high)


@metric("low_level", unit="", source=SOURCE, reads_levels=True)
def low_level(survey: Survey) -> Reading:
    """Low level: the level of the low state.

    Drawing
    -------
          ╭╮
      ┈┈┈┈┼╰────────╮┈┈┈┈  high level
          │         │
      ────╯┈┈┈┈┈┈┈┈┈╰────  low level

    How it is found, `levels` says: the histogram's mode where the waveform dwells, else the minimum.

    Raises
    ------
    NotMeasurable : fewer than two different codes.
    """
    return _level(survey, survey.levels.low)


@metric("amplitude", unit="", source=SOURCE, reads_levels=True)
def amplitude(survey: Survey) -> Reading:
    """Amplitude: high level minus low level.

    Definition
    ----------
    high_level − low_level. Overshoot does not count, unlike in peak to peak.

    Raises
    ------
    NotMeasurable : fewer than two different codes.
    """
    return _level(survey, survey.levels.amplitude, levels=2)


def _level(survey: Survey, value: float, levels: int = 1) -> Reading:
    """Known to half a code step, rectangular (JCGM 100:2008, 4.3.7), and no better than the method averages noise."""
    record = survey.record
    noise = survey.noise / math.sqrt(record.codes.size / 2)
    if survey.levels.has_states and survey.levels.method in (LevelMethod.AUTO, LevelMethod.MODE):
        noise = math.hypot(noise, _wander_of_mode(survey))
    uncertainty = math.sqrt(levels) * math.hypot(record.step / math.sqrt(12), noise)
    return Reading(
        value,
        survey.unit,
        uncertainty=uncertainty or None,
        doubts=(*state_doubts(survey), *noise_doubts(survey)),
    )


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
