"""Transitions: from one state to the other through three reference levels.

    high reference level ┈┈┈┈┈┈┈┈╱┈   end
    middle               ┈┈┈┈┈┈╱┈┈┈   middle
    low reference level  ┈┈┈┈╱┈┈┈┈┈   start

A transition is a crossing of the level midway between the two reference levels. It begins with the last crossing of the
reference level before, and ends with the first crossing of the other after that; where either is missing on its side of
the neighbouring transitions, as at the ends of the record or on a runt, it is not a whole transition and left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.parameters import ReferenceLevel, Slope
from wavewright.analysis.record.interleaving import places_among
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.analysis.record.survey import Survey
    from wavewright.waveform import Floats

LOW = ReferenceLevel(0.1, is_ratio=True)
HIGH = ReferenceLevel(0.9, is_ratio=True)


@dataclass(frozen=True, slots=True, eq=False)
class Transitions:
    """Whole transitions of one slope, in order of time, each array of shape (n,).

    `starts`, `middles` and `ends` are places, in samples from the first of the record, not rounded.
    """

    starts: Floats
    middles: Floats
    ends: Floats


def find_transitions(
    survey: Survey, slope: Slope, low: ReferenceLevel = LOW, high: ReferenceLevel = HIGH
) -> Transitions:
    """All whole transitions of a slope between two reference levels; a pair of levels is looked for only once.

    Raises
    ------
    Misuse : the low reference level is not below the high one.
    NotMeasurable : a level is a ratio, and there are no state levels.
    """
    return survey.once(("transitions", slope, low, high), lambda: _find(survey, slope, low, high))


def middle_level(survey: Survey, low: ReferenceLevel, high: ReferenceLevel) -> float:
    """The level midway between two reference levels, in the waveform's unit."""
    if low.is_ratio and high.is_ratio:  # so that 10 % and 90 % share their crossings with 50 %
        return survey.level(ReferenceLevel((low.number + high.number) / 2, is_ratio=True))
    return (survey.level(low) + survey.level(high)) / 2


def _find(survey: Survey, slope: Slope, low: ReferenceLevel, high: ReferenceLevel) -> Transitions:
    at_low, at_high = survey.level(low), survey.level(high)
    if not at_low < at_high:
        raise Misuse(
            f"low reference level {low} is not below the high one {high}",
            expected=f"{at_low:g} {survey.unit} below {at_high:g} {survey.unit}",
        )
    middle = survey.crossings(middle_level(survey, low, high))
    lower, upper = survey.crossings(at_low), survey.crossings(at_high)
    if slope is Slope.RISING:
        places = (middle.rising_places, middle.falling_places, lower.rising_places, upper.rising_places)
    else:
        places = (middle.falling_places, middle.rising_places, upper.falling_places, lower.falling_places)
    # of a record on another scale they mostly are the same crossings
    return survey.record.shared.once_of("transitions", places, lambda: _paired(*places))


def _paired(middles: Floats, opposite: Floats, before: Floats, after: Floats) -> Transitions:
    """To each middle the last start before and the first end after it, if no opposite transition lies between."""
    if not (middles.size and before.size and after.size):
        nothing = np.empty(0)
        return Transitions(nothing, nothing, nothing)
    first = places_among(before, middles, side="right") - 1
    last = places_among(after, middles)
    bounds = np.concatenate([[-np.inf], opposite, [np.inf]])
    turn = places_among(opposite, middles)
    starts, ends = before[np.maximum(first, 0)], after[np.minimum(last, after.size - 1)]
    whole = (first >= 0) & (last < after.size) & (starts >= bounds[turn]) & (ends <= bounds[turn + 1])
    return Transitions(starts[whole], middles[whole], ends[whole])
