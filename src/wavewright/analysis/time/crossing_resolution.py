"""Instants: how well the time of a crossing is known from the samples beside it.

Three things make an instant uncertain. The straight line between two samples is not the waveform (resolution, a bound
that all crossings of a periodic signal may share); noise moves each crossing by itself; and a level that is a ratio is
as uncertain as the state levels, which moves all crossings together, rising ones one way and falling ones the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.elementary.median import median
from wavewright.analysis.levels.level_uncertainty import LevelErrors, level_errors
from wavewright.analysis.levels.quantisation import share_of_step
from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.analysis.parameters import ReferenceLevel
    from wavewright.analysis.record.survey import Survey
    from wavewright.waveform import Floats

BESIDE = (-1, 0, 1, 2)  # the samples around a crossing, from the one before it
LOOKED_AT = 64  # crossings, about; the median of their steepness stands for all
ABOVE_NOISE = 8.0  # standard deviations, or code steps, that the change must be, so that neither passes for steepness
OF_AMPLITUDE = 0.3  # a longer segment would leave the edge
LARGER_BEND_OF_NOISE, LESSER_BEND_OF_NOISE = 1.0, 0.2
"""Of the two bends beside a crossing: the square of the median that noise gives to each."""
ONE_WAY = 0.9  # of the crossings that bend alike
TOUCHES = math.sqrt(2 / 3)  # of the noise of a sample that a straight line between two leaves, on average (math)


@dataclass(frozen=True, slots=True)
class LevelEffect:
    """What errors of the two state levels do to an instant or a duration, s per unit of the waveform each."""

    low: float = 0.0
    high: float = 0.0

    def __sub__(self, other: LevelEffect) -> LevelEffect:
        return LevelEffect(self.low - other.low, self.high - other.high)

    def __mul__(self, factor: float) -> LevelEffect:
        return LevelEffect(self.low * factor, self.high * factor)

    def uncertainty(self, survey: Survey) -> float:
        """Standard uncertainty that follows from those of the state levels, s."""
        errors = level_errors(survey) if self.low or self.high else LevelErrors()
        alone = errors.alone * math.hypot(self.low, self.high)
        return math.hypot(alone, errors.outward * (self.high - self.low))


def instant_resolution(survey: Survey, places: Floats) -> float:
    """Half-width of the interval that the instant of one crossing can lie in, s: at most half a sample interval.

    Between two samples whose values differ by d the straight line is off by at most q/(2·(d − q)) of the interval for a
    code step q (math: half a step over the least slope that can have given d), as far as noise does not spread it over
    several codes. A bend, that is a second difference of b on one side of the crossing, puts it off by about b/(6·d)
    (math: chord of a parabola, and of a corner), and by half an interval if it is a step, which bends on both sides;
    (r/8)·(1 + 3·r²) for the lesser r = b/d joins the two and is ours: common practice, no source. The largest counts.
    """
    return instant_bounds(survey, places).largest


@dataclass(frozen=True, slots=True)
class InstantBounds:
    """How far the instant of a crossing can be off, s: half-widths by the code step, and by bends of the waveform.

    `late` : 1 where bends make all of these crossings later than they are, and never earlier; -1 the other way; 0 where
    they do both.
    """

    quantised: float
    bent: float
    late: int = 0

    @property
    def largest(self) -> float:
        """The larger of the two."""
        return max(self.quantised, self.bent)


def instant_bounds(survey: Survey, places: Floats) -> InstantBounds:
    """The bounds of `instant_resolution`, each by itself."""
    if not places.size or survey.record.codes.size < 2:
        return InstantBounds(survey.wave.interval / 2, survey.wave.interval / 2)
    survey = survey.as_captured  # how well an instant is known is not asked of a scale that is only tried
    key = ("resolution", places.size, float(places[0]), float(places[-1]))
    found: InstantBounds = survey.once(key, lambda: _bounds(survey, places))
    return found


def _bounds(survey: Survey, places: Floats) -> InstantBounds:
    interval, codes, gain = survey.wave.interval, survey.record.codes, abs(survey.wave.gain)
    before = _samples_before(survey, places)
    around = np.minimum(np.maximum([before + one for one in BESIDE], 0), codes.size - 1)
    beside = codes[around].astype(np.float64)
    changes = (beside[1:] - beside[:-1]) * gain  # before, across and after the crossings
    typical = median(np.abs(changes[1]))
    if not typical:
        return InstantBounds(interval / 2, interval / 2)
    step = survey.record.step
    quantised = (step / (typical - step) if typical > step else 1.0) if step else 0.0
    bends = np.abs(changes[1:] - changes[:-1])
    more = _bend(np.maximum(bends[0], bends[1]), survey.noise, LARGER_BEND_OF_NOISE) / typical
    less = min(1.0, _bend(np.minimum(bends[0], bends[1]), survey.noise, LESSER_BEND_OF_NOISE) / typical)
    bent = max(min(more / 3, 0.5), less / 4 * (1 + 3 * less * less))
    half = interval / 2
    late = _late(changes) if bent else 0
    return InstantBounds(half * min(1.0, quantised * share_of_step(survey)), half * min(1.0, bent), late)


def _late(changes: Floats) -> int:
    """Whether bends make crossings late, all of them: where an edge becomes less steep the chord lies on its inside."""
    bends = -np.sign(changes[1]) * (changes[2] - changes[0])
    later, earlier = np.count_nonzero(bends > 0) / bends.size, np.count_nonzero(bends < 0) / bends.size
    return int(later >= ONE_WAY) - int(earlier >= ONE_WAY)


def _bend(bends: Floats, noise: float, share: float) -> float:
    """Median bend without what noise makes of it, whose variance in a second difference is 6 times its own (math)."""
    return math.sqrt(max(0.0, square(median(bends)) - share * 6 * square(noise)))


def noise_of_instant(survey: Survey, places: Floats) -> float:
    """Standard deviation that noise gives to one of these instants, s: noise over steepness (math)."""
    steepness = steepness_at(survey, places)
    return TOUCHES * survey.noise / steepness if steepness else 0.0


def spread_of_instant(survey: Survey, places: Floats) -> float:
    """The same by noise and the rounding to codes, s: that of one instant by itself, which no other shares."""
    survey = survey.as_captured
    steepness = steepness_at(survey, places)
    return TOUCHES * max(survey.noise, survey.record.step / math.sqrt(12)) / steepness if steepness else 0.0


def instant_scatter(survey: Survey, places: Floats, *, level_is_found: bool) -> tuple[float, float]:
    """What noise does to the instant of a crossing, s, standard: to each by itself, and to all by the level in common.

    A level that is a ratio is as uncertain as the state levels that it is taken from.
    """
    steepness = steepness_at(survey, places)
    if not steepness:
        return 0.0, 0.0
    shared = level_errors(survey).middle / steepness if level_is_found else 0.0
    return survey.noise / steepness, shared


def level_effect(survey: Survey, level: ReferenceLevel, places: Floats, *, rising: bool) -> LevelEffect:
    """What errors of the state levels do to crossings of a level; nothing where it is not taken from them."""
    steepness = steepness_at(survey, places)
    if not (level.is_ratio and steepness):
        return LevelEffect()
    later = (1.0 if rising else -1.0) / steepness
    return LevelEffect((1 - level.number) * later, level.number * later)


def steepness_at(survey: Survey, places: Floats) -> float:
    """Median change per second around crossings, in the waveform's unit; 0 if there are none.

    Over as many samples as it takes to rise well above noise and code steps, but no longer than the edge: between two
    samples of a staircase of codes there is a whole step, however slowly the waveform rises.
    """
    if not places.size or survey.record.codes.size < 2:
        return 0.0
    survey = survey.as_captured
    key = ("steepness", places.size, float(places[0]), float(places[-1]))
    return survey.once(key, lambda: _steepness(survey, places))


def _steepness(survey: Survey, places: Floats) -> float:
    codes, gain = survey.record.codes, abs(survey.wave.gain)
    before = _samples_before(survey, places)
    try:
        longest = OF_AMPLITUDE * survey.levels.amplitude
    except NotMeasurable:
        longest = 0.0
    wide, found = 0, 0.0
    clear = ABOVE_NOISE * max(survey.noise, survey.record.step)
    while True:
        first, last = np.maximum(before - wide, 0), np.minimum(before + 1 + wide, codes.size - 1)
        rises = np.abs(codes[last].astype(np.float64) - codes[first].astype(np.float64)) * gain
        found = median(rises / (last - first))
        rise = median(rises)
        if rise >= clear or rise >= longest / 2 or 2 * wide + 1 >= codes.size:
            return found / survey.wave.interval
        wide = 2 * wide + 1


def _samples_before(survey: Survey, places: Floats) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Of some of these crossings the samples before them."""
    chosen = survey.record.finite_places(places[:: max(1, places.size // LOOKED_AT)])
    return np.minimum(np.maximum(np.floor(chosen).astype(np.int64), 0), survey.record.codes.size - 2)


def difference_resolution(survey: Survey, places: Floats, others: Floats | None = None) -> float:
    """The resolution of the difference of two instants of one record, s; of the same kind where no others are given."""
    return resolution_between((survey, places), (survey, places if others is None else others))


def resolution_between(start: tuple[Survey, Floats], stop: tuple[Survey, Floats]) -> float:
    """The resolution of the time from one kind of crossing to another, s.

    An error by bends that is always to one side lies between 0 and its bound: where it is to the same side at both
    ends, the halves of the bounds cancel, and only how it differs with the sampling phase is left.
    """
    first, last = instant_bounds(*start), instant_bounds(*stop)
    if not first.late or first.late != last.late:
        return math.hypot(first.largest, last.largest)
    halves = [max(one.quantised, one.bent / 2) for one in (first, last)]
    return math.hypot(*halves) + abs(first.bent - last.bent) / 2


def resolution_at(survey: Survey, times: Floats, *, origin: float) -> float:
    """The resolution of crossings that are known by their times, s after `origin` on the time axis."""
    return instant_resolution(survey, places_at(survey, times, origin=origin))


def places_at(survey: Survey, times: Floats, *, origin: float) -> Floats:
    """Places in samples of crossings that are known by their times, s after `origin` on the time axis."""
    return np.asarray((times - (survey.wave.start - origin)) / survey.wave.interval)
