"""How well a state level is known from the samples at that level, or from the extremes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wavewright.analysis.levels.extreme_lift import SCATTER_OF_LARGEST, lift_of_extreme
from wavewright.analysis.levels.state_levels import BINS, LevelMethod

if TYPE_CHECKING:
    from wavewright.analysis.record.survey import Survey


@dataclass(frozen=True, slots=True)
class LevelErrors:
    """Standard uncertainties of the state levels, in the waveform's unit.

    Parameters
    ----------
    alone : of each level by itself.
    outward : of both together, the low one too low and the high one too high: what noise does to extremes.
    """

    alone: float = 0.0
    outward: float = 0.0

    @property
    def of_level(self) -> float:
        """Of one level."""
        return math.hypot(self.alone, self.outward)

    @property
    def of_amplitude(self) -> float:
        """Of the distance between the two."""
        return math.hypot(math.sqrt(2) * self.alone, 2 * self.outward)

    @property
    def middle(self) -> float:
        """Of the level midway between the two."""
        return self.alone / math.sqrt(2)


def level_errors(survey: Survey) -> LevelErrors:
    """How uncertain the state levels are. Nothing of declared levels, which are what they are said to be.

    Half a code step, rectangular (JCGM 100:2008, 4.3.7), as far as noise does not carry the level over several codes,
    and no better than the method averages noise. Levels that are the extremes lie too far out as well.
    """
    captured = survey.as_captured
    return captured.once("level errors", lambda: _level_errors(captured))


def level_uncertainty(survey: Survey) -> float:
    """Standard uncertainty of one state level, in the waveform's unit."""
    return level_errors(survey).of_level


def _level_errors(survey: Survey) -> LevelErrors:
    record, method = survey.record, survey.levels.method
    if method is LevelMethod.DECLARED:
        return LevelErrors()
    step = record.step / math.sqrt(12)
    takes_extremes = method is LevelMethod.EXTREMES or (method is LevelMethod.AUTO and not survey.levels.has_states)
    if takes_extremes:
        outward = max(lift_of_extreme(survey, highest=highest, noise=survey.noise) for highest in (False, True))
        return LevelErrors(math.hypot(step, SCATTER_OF_LARGEST * survey.noise), outward)
    noise = survey.noise / math.sqrt(record.codes.size / 2)
    if survey.levels.has_states and method in (LevelMethod.AUTO, LevelMethod.MODE):
        noise = math.hypot(noise, _wander_of_mode(survey))
    return LevelErrors(math.hypot(step, noise))


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
    return math.hypot(within, noise / math.sqrt(2) / math.sqrt(math.sqrt(max(count, 1.0))))
