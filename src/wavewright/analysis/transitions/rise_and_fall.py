"""Rise and fall: how long a transition lasts, and how steep it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.expressions.dimensions import quotient
from wavewright.analysis.parameters import ReferenceLevel, Slope
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.time.crossing_resolution import (
    LevelEffect,
    level_effect,
    noise_of_instant,
    resolution_between,
)
from wavewright.analysis.time.edges import noise_doubts, state_doubts
from wavewright.analysis.transitions.transitions import HIGH, LOW, Transitions, find_transitions, middle_level
from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.analysis.record.survey import Survey
    from wavewright.waveform import Floats

SOURCE = "IEEE 181-2011, term 'transition duration' †; 10 to 90 %: FED-STD-1037C †"
FEW_SAMPLES = 5


@metric("rise_time", reads=Reads.TRANSITIONS, unit="s", source=SOURCE, reads_levels=True)
def rise_time(survey: Survey, *, low: ReferenceLevel = LOW, high: ReferenceLevel = HIGH) -> Reading:
    """Rise time: from the low to the high reference level on a rising transition, mean of all whole ones.

    Drawing
    -------
      high state ─────────────╭────
      high ┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈╱┈┈┈┈
                            ╱┊
      low  ┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈╱┈┈┊┈┈┈┈
      low state ─────────╯┊  ┊
                          ├──┤ rise time

    A filter of bandwidth B with a single pole gives ln 9 / (2π·B).

    Raises
    ------
    NotMeasurable : no whole rising transition.
    """
    return _duration(survey, Slope.RISING, low, high)


@metric("fall_time", reads=Reads.TRANSITIONS, unit="s", source=SOURCE, reads_levels=True)
def fall_time(survey: Survey, *, low: ReferenceLevel = LOW, high: ReferenceLevel = HIGH) -> Reading:
    """Fall time: from the high to the low reference level on a falling transition, mean of all whole ones.

    Drawing
    -------
      high state ────╮
      high ┈┈┈┈┈┈┈┈┈┈┈╲┈┈┈┈┈┈┈
                      ┊╲
      low  ┈┈┈┈┈┈┈┈┈┈┈┈┈┈╲┈┈┈┈
      low state       ┊  ┊╰────
                      ├──┤ fall time

    Raises
    ------
    NotMeasurable : no whole falling transition.
    """
    return _duration(survey, Slope.FALLING, low, high)


@metric(
    "slew_rate",
    reads=Reads.TRANSITIONS,
    unit="V/s",
    source="math: difference of the reference levels over the transition duration",
    reads_levels=True,
)
def slew_rate(
    survey: Survey, *, slope: Slope = Slope.RISING, low: ReferenceLevel = LOW, high: ReferenceLevel = HIGH
) -> Reading:
    """Slew rate: mean steepness between the reference levels of a transition, as a magnitude.

    Definition
    ----------
    (high − low) / transition duration, mean of all whole transitions of the slope; in the waveform's unit per second.

    Raises
    ------
    NotMeasurable : no whole transition of that slope.
    """
    taken = whole_transitions(survey, slope, low, high)
    durations = survey.wave.interval * (taken.ends - taken.starts)
    rise = survey.level(high) - survey.level(low)
    each = rise / durations
    duration, errors = float(durations.mean()), _errors(survey, taken, low, high, slope)
    rise_effect = LevelEffect(low.number - high.number, high.number - low.number) if high.is_ratio else LevelEffect()
    relative = rise_effect * (1 / rise) - errors.levels * (1 / duration)
    return Reading.of_occurrences(
        each,
        times=_times(survey, taken.middles),
        unit=quotient(survey.unit, "s"),
        doubts=_doubts(survey, taken),
        resolution=errors.resolution / duration * float(each.mean()),
        shared=relative.uncertainty(survey) * abs(float(each.mean())),
        single=errors.noise / duration * float(each.mean()),
    )


def whole_transitions(survey: Survey, slope: Slope, low: ReferenceLevel, high: ReferenceLevel) -> Transitions:
    """All whole transitions of a slope, of which there is at least one.

    Raises
    ------
    NotMeasurable : there is none.
    """
    slopes = (Slope.RISING, Slope.FALLING) if slope is Slope.EITHER else (slope,)
    parts = [find_transitions(survey, one, low, high) for one in slopes]
    taken = parts[0] if len(parts) == 1 else _merged(parts)
    if not taken.middles.size:
        middle = survey.crossings(middle_level(survey, low, high))
        raise NotMeasurable(
            f"`{survey.name}`: no whole {slope} transition between {survey.level(low):g} and {survey.level(high):g} "
            f"{survey.unit}; {middle.rising_places.size} rising and {middle.falling_places.size} falling crossings of "
            f"their middle",
            expected="at least one with its beginning and its end in the record",
            do="lengthen the record, or move the trigger away from its ends",
        )
    return taken


def _merged(parts: list[Transitions]) -> Transitions:
    order = np.argsort(np.concatenate([part.middles for part in parts]))
    columns = (np.concatenate([getattr(part, name) for part in parts])[order] for name in ("starts", "middles", "ends"))
    return Transitions(*columns)


def _duration(survey: Survey, slope: Slope, low: ReferenceLevel, high: ReferenceLevel) -> Reading:
    taken = whole_transitions(survey, slope, low, high)
    errors = _errors(survey, taken, low, high, slope)
    return Reading.of_occurrences(
        survey.wave.interval * (taken.ends - taken.starts),
        times=_times(survey, taken.middles),
        unit="s",
        doubts=_doubts(survey, taken),
        resolution=errors.resolution,
        shared=errors.levels.uncertainty(survey),
        single=errors.noise,
    )


@dataclass(frozen=True, slots=True)
class _DurationErrors:
    """Of one duration, s: half-width by resolution, standard deviation by noise, and what level errors do to it."""

    resolution: float
    noise: float
    levels: LevelEffect


def _errors(
    survey: Survey, taken: Transitions, low: ReferenceLevel, high: ReferenceLevel, slope: Slope
) -> _DurationErrors:
    rising = slope is not Slope.FALLING
    first, last = (low, high) if rising else (high, low)
    ends = (taken.starts, taken.ends)
    levels = level_effect(survey, last, taken.ends, rising=rising) - level_effect(
        survey, first, taken.starts, rising=rising
    )
    return _DurationErrors(
        resolution_between(*((survey, places) for places in ends)),
        math.hypot(*(noise_of_instant(survey, places) for places in ends)),
        levels,
    )


def _times(survey: Survey, places: Floats) -> Floats:
    return np.asarray(survey.wave.start + survey.wave.interval * places, dtype=np.float64)


def _doubts(survey: Survey, taken: Transitions) -> tuple[Doubt, ...]:
    few = (Doubt.FEW_SAMPLES,) if float(np.mean(taken.ends - taken.starts)) < FEW_SAMPLES else ()
    return (*few, *state_doubts(survey), *noise_doubts(survey))
