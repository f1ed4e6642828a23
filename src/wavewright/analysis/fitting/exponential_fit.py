"""Exponential fit: how a waveform approaches its final value, with the time constant and its uncertainty.

The time constant is sought by Gauss and Newton's iteration; final value and height follow linearly. Long segments are
averaged in groups first: means over equal groups of an exponential are an exponential again, with the same time
constant and final value, so nothing is falsified.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import exp, log
from wavewright.analysis.elementary.sums import gram, inner, least_squares, solve, weighted
from wavewright.analysis.levels.quantisation import share_of_step
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.record.time_gate import between, segment
from wavewright.analysis.sense import ANY
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats, Waveform

MOST_POINTS = 1 << 14
MOST_ROUNDS = 60
START = ReferenceLevel(0.1, is_ratio=True)
SOURCE = "math: least squares"


@dataclass(frozen=True, slots=True)
class ExponentialFit:
    """final + height · exp(−(time − begin)/time_constant).

    Parameters
    ----------
    begin : s, first sample of the fitted segment. `height` : distance from the final value there, in the unit.
    residual_rms : in the waveform's unit, of single samples or of the group means that were fitted.
    time_constants : length of the segment, in time constants.
    """

    time_constant: float
    final: float
    height: float
    begin: float
    residual_rms: float
    time_constant_uncertainty: float
    final_uncertainty: float
    time_constants: float

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """What speaks against the fit."""
        found = []
        if self.time_constants < 3:
            found.append(Doubt.NOT_SETTLED)  # the final value is an extrapolation
        if self.residual_rms > 0.1 * abs(self.height):
            found.append(Doubt.NOISY)
        return tuple(found)


@metric("time_constant", reads=Reads.TRANSITIONS, unit="s", source=SOURCE, reads_levels=True)
def time_constant(
    survey: Survey,
    *,
    begin: ReferenceLevel = START,
    after: Annotated[float, "s", ANY] | None = None,
    until: Annotated[float, "s", ANY] | None = None,
) -> Reading:
    """Time constant of the exponential that fits best from the first transition on.

    Definition
    ----------
    τ in final + height · exp(−t/τ), such that the sum of the squared residuals is smallest.

    Parameters
    ----------
    begin : how far into the first transition, rising or falling, the fit begins, where `after` is left out.
    after, until : the part of the record, s on the waveform's time axis; `until` left out: up to the next transition,
    or the end.

    Returns
    -------
    Reading in s. Doubts: `not_settled` where the part that is fitted is shorter than three time constants, `noisy`.

    Raises
    ------
    NotMeasurable : no transition and no `after`, fewer than 8 samples, or a curve that is not an exponential.
    """
    fit = fit_exponential(survey, begin=begin, after=after, until=until)
    return Reading(fit.time_constant, "s", uncertainty=fit.time_constant_uncertainty, doubts=fit.doubts)


@metric("final_value", reads=Reads.TRANSITIONS, unit="", source=SOURCE, reads_levels=True)
def final_value(
    survey: Survey,
    *,
    begin: ReferenceLevel = START,
    after: Annotated[float, "s", ANY] | None = None,
    until: Annotated[float, "s", ANY] | None = None,
) -> Reading:
    """Final value that the exponential from the first transition on tends to; options as for `time_constant`.

    Definition
    ----------
    final in final + height · exp(−t/τ), such that the sum of the squared residuals is smallest.
    """
    fit = fit_exponential(survey, begin=begin, after=after, until=until)
    return Reading(fit.final, survey.unit, uncertainty=fit.final_uncertainty, doubts=fit.doubts)


def fit_exponential(
    survey: Survey, *, begin: ReferenceLevel = START, after: float | None = None, until: float | None = None
) -> ExponentialFit:
    """The exponential that fits best; parameters and errors as of the metric `time_constant`."""
    if after is None:
        first, last = _first_transition(survey, begin)
        if until is not None:
            last = (until - survey.wave.start) / survey.wave.interval
        part = functools.partial(between, survey, first, last, least=8)
    else:
        part = functools.partial(segment, survey, least=8, after=after, until=until)
    key = ("exponential", begin if after is None else after, until)
    # what rounding to codes does to all samples of the tail alike, where there is little noise
    common = share_of_step(survey) * survey.record.step / math.sqrt(12)
    return survey.once(key, lambda: _fit(part(), common))


def _first_transition(survey: Survey, begin: ReferenceLevel) -> tuple[float, float | None]:
    """Where the first transition has come as far as `begin`, and where the next one leaves; in samples."""
    levels = survey.levels
    middle = survey.crossings((levels.low + levels.high) / 2)
    edges = middle.either_places
    if not edges.size:
        raise NotMeasurable(f"`{survey.name}`: no transition", expected="at least one", do="give `after`, or trigger")
    is_rising = bool(middle.rising_places.size and middle.rising_places[0] == edges[0])
    share = begin.value(0.0, 1.0) if begin.is_ratio else (begin.number - levels.low) / levels.amplitude
    level = levels.low + (share if is_rising else 1 - share) * levels.amplitude
    crossings = survey.crossings(level)
    own = crossings.rising_places if is_rising else crossings.falling_places
    before = own[own <= edges[0]]
    start = float(before[-1]) if before.size else float(edges[0])
    end = float(edges[1]) if edges.size > 1 else None
    if end is None:
        return start, None
    # the next transition has left the state before it crosses the middle
    near_end = survey.crossings(
        levels.high - 0.1 * levels.amplitude if is_rising else levels.low + 0.1 * levels.amplitude
    )
    leaving = near_end.falling_places if is_rising else near_end.rising_places
    leaving = leaving[(leaving > start) & (leaving <= end)]
    left = float(leaving[-1]) if leaving.size else end
    # edges take longer from there to the middle than they took to there
    return start, left - (end - left) - 2


def _fit(wave: Waveform, common: float) -> ExponentialFit:
    """The fit; `common` is a standard uncertainty that the samples of the tail have in common, in the unit."""
    group = -(-len(wave) // MOST_POINTS)
    count = len(wave) // group
    means = wave.codes[: count * group].reshape(count, group).mean(axis=1, dtype=np.float64)
    values = wave.offset + wave.gain * means
    step = group * wave.interval
    rate = _settle(values, wave)
    columns = _columns(count, rate)
    solution, squares = _linear(columns, values)
    slope = -columns[1] * np.arange(count) * solution[1]
    spread = solve(gram(np.array([*columns, slope])), np.eye(3))
    variance = squares / max(1, count - 3)
    time_constant = step / rate
    # a tail that is off as a whole moves the final value, and the decay as far as the two are correlated
    moved = common * float(spread[2, 0] / spread[0, 0])
    time_constant_uncertainty = time_constant / rate * math.hypot(math.sqrt(variance * float(spread[2, 2])), moved)
    if time_constant_uncertainty > time_constant / 2:
        raise NotMeasurable(
            f"`{wave.label}`: a time constant of {time_constant:.3g} s ± {time_constant_uncertainty:.3g} s",
            expected="a curvature that is larger than the noise",
            do="lengthen the part that is fitted, or limit the bandwidth",
        )
    # the mean of a group lies where the exponential has the mean of the group, not at its first sample
    within = rate / group
    lift = float(exp(-within * np.arange(group, dtype=np.float64)).mean())
    return ExponentialFit(
        time_constant=time_constant,
        final=float(solution[0]),
        height=float(solution[1]) / lift,
        begin=wave.start,
        residual_rms=math.sqrt(squares / count),
        time_constant_uncertainty=time_constant_uncertainty,
        final_uncertainty=math.hypot(math.sqrt(variance * float(spread[0, 0])), common),
        time_constants=count * rate,
    )


def _settle(values: Floats, wave: Waveform) -> float:
    """The decay in one step that fits best, by search for a start and then Gauss and Newton's iteration."""
    count = values.size
    trials = exp(np.linspace(log(0.05 / count), log(3.0), 60))
    left = [_linear(_columns(count, float(rate)), values)[1] for rate in trials]
    best = int(np.argmin(left))
    if best in {0, trials.size - 1}:
        raise NotMeasurable(
            f"`{wave.label}`: {'a straight line' if best == 0 else 'a step'} fits as well as any exponential",
            expected="a curve that bends, a time constant between a sample and 20 times the part used",
            do="lengthen the part that is fitted, or raise `rate`",
        )
    low, high = float(trials[best - 1]), float(trials[best + 1])
    rate = float(trials[best])
    for _ in range(MOST_ROUNDS):
        columns = _columns(count, rate)
        solution, _ = _linear(columns, values)
        matrix = np.array([*columns, -columns[1] * np.arange(count) * solution[1]])
        step = float(least_squares(matrix, values - weighted(solution, columns))[2])
        moved = min(high, max(low, rate + step))
        if abs(moved - rate) < 1e-12 * rate:
            return moved
        rate = moved
    return rate


def _columns(count: int, rate: float) -> Floats:
    return np.array([np.ones(count), exp(-rate * np.arange(count, dtype=np.float64))])


def _linear(columns: Floats, values: Floats) -> tuple[Floats, float]:
    """Final value and height for a known decay, and the sum of squares that is left."""
    solution = least_squares(columns, values)
    residuals = values - weighted(solution, columns)
    return solution, inner(residuals, residuals)
