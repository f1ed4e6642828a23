"""Amplitudes: the levels of the two states, and the distance between them."""

from __future__ import annotations

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import LEVELS, Reads
from wavewright.analysis.levels.level_uncertainty import level_errors
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.edges import noise_doubts, state_doubts

SOURCE = "IEEE 181-2011, terms 'state level' and 'waveform amplitude' †"


@metric("high_level", reads=Reads.HIGH_LEVEL, unit="", source=SOURCE, reads_levels=True)
def high_level(survey: Survey) -> Reading:
    """High level: the level of the high state.

    Drawing
    -------
          ╭╮
      ┈┈┈┈┼╰────────╮┈┈┈┈  high level
          │         │
      ────╯┈┈┈┈┈┈┈┈┈╰────  low level

    How it is found, `levels` says: the histogram's mode where the waveform stays at a level, else the maximum.

    Raises
    ------
    NotMeasurable : fewer than two different codes.
    """
    return _level(survey, survey.levels.high)


@metric("low_level", reads=Reads.LOW_LEVEL, unit="", source=SOURCE, reads_levels=True)
def low_level(survey: Survey) -> Reading:
    """Low level: the level of the low state.

    Drawing
    -------
          ╭╮
      ┈┈┈┈┼╰────────╮┈┈┈┈  high level
          │         │
      ────╯┈┈┈┈┈┈┈┈┈╰────  low level

    How it is found, `levels` says: the histogram's mode where the waveform stays at a level, else the minimum.

    Raises
    ------
    NotMeasurable : fewer than two different codes.
    """
    return _level(survey, survey.levels.low)


@metric("amplitude", reads=LEVELS, unit="", source=SOURCE, reads_levels=True)
def amplitude(survey: Survey) -> Reading:
    """Amplitude: high level minus low level.

    Definition
    ----------
    high_level − low_level. Overshoot does not count, unlike in peak to peak.

    Raises
    ------
    NotMeasurable : fewer than two different codes.
    """
    return _level(survey, survey.levels.amplitude, uncertainty=level_errors(survey).of_amplitude)


def _level(survey: Survey, value: float, uncertainty: float | None = None) -> Reading:
    uncertainty = level_errors(survey).of_level if uncertainty is None else uncertainty
    return Reading(
        value,
        survey.unit,
        uncertainty=uncertainty or None,
        doubts=(*state_doubts(survey), *noise_doubts(survey)),
    )
