"""Edges: the crossings of one reference level, which periods, pulses and counts are made of.

Where the state levels cannot be found because the record is a constant there is no edge, at any level: counts say 0.
Metrics that need edges say how many there were.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Doubt
from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.analysis.record.crossings import Crossings
    from wavewright.analysis.record.survey import Survey
    from wavewright.waveform import Floats

MIDDLE = ReferenceLevel(0.5, is_ratio=True)
FEW_PERIODS = 10
NOISE_OF_AMPLITUDE = 0.1
SAMPLES_OF_A_PERIOD = 4
SAMPLES_TO_TELL_NOISE = 10


def edges(survey: Survey, level: ReferenceLevel, hysteresis: ReferenceLevel | None = None) -> Crossings:
    """Crossings of a reference level.

    Parameters
    ----------
    hysteresis : height of the band around the level, as a ratio of the amplitude or in the waveform's unit; None: as
        `Survey.crossings` says.

    Raises
    ------
    NotMeasurable : the level is a ratio, and there are no state levels; or there is no valid sample.
    """
    _ = survey.extremes
    band = None if hysteresis is None else survey.band(hysteresis)
    return survey.crossings(survey.level(level), hysteresis=band)


def too_few(survey: Survey, found: Crossings, level: ReferenceLevel, *, expected: str) -> NotMeasurable:
    """The error that says how many edges there were, and what would do."""
    value = survey.level(level)
    return NotMeasurable(
        f"`{survey.name}`: {found.rising_places.size} rising and {found.falling_places.size} falling crossings of "
        f"{value:g} {survey.unit}",
        expected=expected,
        do="lengthen the record, or put the level between the two states",
    )


def period_doubts(survey: Survey, periods: Floats) -> tuple[Doubt, ...]:
    """Doubts about what was taken from periods, in samples: few of them, few samples in each, noise."""
    found = []
    if periods.size < FEW_PERIODS:
        found.append(Doubt.FEW_CYCLES)
    samples = float(np.mean(periods)) if periods.size else 0.0
    if samples < SAMPLES_OF_A_PERIOD:
        found.append(Doubt.UNDERSAMPLED)
    # with fewer samples per period what neighbours differ by is the signal
    return (*found, *(noise_doubts(survey) if samples >= SAMPLES_TO_TELL_NOISE else ()))


def noise_doubts(survey: Survey) -> tuple[Doubt, ...]:
    """`noisy` where the noise is more than a tenth of the amplitude."""
    return (Doubt.NOISY,) if survey.noise > NOISE_OF_AMPLITUDE * survey.levels.amplitude else ()


def told_noise(survey: Survey, found: Crossings) -> tuple[Doubt, ...]:
    """`noisy` as of periods, for counts and times that are taken from crossings; nothing where there are no states."""
    return survey.once_of("told noise", (found,), lambda: _told_noise(survey, found))


def _told_noise(survey: Survey, found: Crossings) -> tuple[Doubt, ...]:
    places = max(found.rising_places, found.falling_places, key=len)
    try:
        return tuple(doubt for doubt in period_doubts(survey, np.diff(places)) if doubt is Doubt.NOISY)
    except NotMeasurable:
        return ()


def state_doubts(survey: Survey) -> tuple[Doubt, ...]:
    """`no_states` where the levels found are not levels that the waveform stays at."""
    return () if survey.levels.has_states else (Doubt.NO_STATES,)
