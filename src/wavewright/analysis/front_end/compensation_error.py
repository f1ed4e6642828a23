"""How well a passive probe is adjusted to its input: the flatness of a square wave that it looks at."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import exp, log, square
from wavewright.analysis.elementary.sums import gram, least_squares, solve, weighted
from wavewright.analysis.front_end.probe_loading import Compensation
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.edges import MIDDLE, edges, noise_doubts, state_doubts
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

AFTER_AN_EDGE = 0.02  # of half a period: left out, for what bandwidth and ringing do there is not the divider
BEFORE_AN_EDGE = 0.02
MOST_POINTS = 2048  # of a half period that are fitted; more are averaged in groups
FEWEST_SAMPLES = 50  # of half a period
TRIED = 48  # time constants
ROUNDS = 20  # of refining the best of them
SHORTEST, LONGEST = 0.02, 1.5  # time constants that are looked for, in half periods
MOST_UNEQUAL = 0.1  # of the period: between its two halves
SOURCE = "math: step response of a divider R ∥ C over R ∥ C, least squares"


@dataclass(frozen=True, slots=True)
class _Flat:
    """final + height · exp(−t/time_constant), t from the edge; all but `time_constant`, s, in the waveform's unit."""

    final: float
    height: float
    time_constant: float
    height_uncertainty: float
    squares: float


@metric("compensation_error", reads=Reads.TRANSITIONS, unit="1", source=SOURCE)
def compensation_error(survey: Survey) -> Reading:
    """Compensation error of a probe: how far a step begins from where it ends, as a ratio of the step.

    Drawing
    -------
                  ╭╮ over-compensated: > 0
                 ╱  ╲___________
      step  ┈┈┈┈│    ___________ final
                │ ╱  under-compensated: < 0
      __________│╱

    Definition
    ----------
    first / final − 1 of the step response final + (first − final) · exp(−t/τ) that fits best to the half periods of a
    square wave. What earlier edges have left is reckoned with. The record has whole half periods of equal length, a few
    time constants long: 1 kHz suits most probes.

    Returns
    -------
    Reading in "1": 0 of a probe that is adjusted, below 0 of a rounded corner, above 0 of a peak at it.

    Raises
    ------
    NotMeasurable : fewer than one whole period, half periods of fewer than 50 samples, or of unequal length.
    """
    times, difference, count = _half_period(survey)
    half = float(times[-1]) * (1 + BEFORE_AN_EDGE)
    trials = exp(np.linspace(log(SHORTEST * half), log(LONGEST * half), TRIED))
    tried = [_fitted(times, difference, float(trial)) for trial in trials]
    near = min(range(TRIED), key=lambda place: tried[place].squares)
    best = _refined(times, difference, tried[near])
    # the edges before left a share: their sum is 1 / (1 + exp(-T/tau)) of what one edge alone would leave (math)
    left = (1 + exp(-half / best.time_constant)) / 2
    error = best.height / best.final * left
    found = Compensation(first=1 + error, final=1.0, time_constant=best.time_constant)
    # both ends of the step may lie on a code each, which every half period repeats: it does not average out
    resolution = math.sqrt(2 / 12) * survey.record.step / abs(best.final)
    uncertainty = math.hypot(best.height_uncertainty / abs(best.final) * left, resolution)
    # not that it stays at no level: that is what a corner that is rounded looks like
    doubts = tuple(dict.fromkeys([*state_doubts(survey), *noise_doubts(survey)]))
    return Reading(
        found.error,
        "1",
        uncertainty=uncertainty,
        doubts=tuple(one for one in doubts if one is not Doubt.NO_STATES),
        count=count,
    )


def _half_period(survey: Survey) -> tuple[Floats, Floats, int]:
    """Times from the edge, s; what follows a rising edge less what follows a falling one; how many periods."""
    crossings = edges(survey, MIDDLE)
    rising, falling = crossings.rising_places, crossings.falling_places
    places = np.sort(np.concatenate([rising, falling]))
    if rising.size < 2 or falling.size < 1 or places.size < 3:
        raise NotMeasurable(
            f"`{survey.name}`: {places.size} edges", expected="a whole period of a square wave", do="lengthen `span`"
        )
    spans = np.diff(places)
    half = float(spans.min())
    if float(spans.max()) - half > 2 * MOST_UNEQUAL * half:
        raise NotMeasurable(
            f"`{survey.name}`: segments of {half * survey.wave.interval:.3g} s and "
            f"{float(spans.max()) * survey.wave.interval:.3g} s between edges",
            expected="a square wave, as long high as low",
            do="set the duty factor of the source to 50 %",
        )
    if half < FEWEST_SAMPLES:
        raise NotMeasurable(
            f"`{survey.name}`: {half:.0f} samples per half period",
            expected=f"at least {FEWEST_SAMPLES}",
            do="raise `rate`, or lower the frequency",
        )
    first, last = math.ceil(AFTER_AN_EDGE * half), math.floor((1 - BEFORE_AN_EDGE) * half)
    high, shift_high, count = _mean_after(survey, rising, first, last)
    low, shift_low, _ = _mean_after(survey, falling, first, last)
    group = -(-high.size // MOST_POINTS)
    points = high.size // group
    grouped = (high - low)[: points * group].reshape(points, group).sum(axis=1) / float(group)
    index: Floats = first + (np.arange(points, dtype=np.float64) + 0.5) * group - 0.5 + (shift_high + shift_low) / 2
    return index * survey.wave.interval, grouped, count


def _mean_after(survey: Survey, places: Floats, first: int, last: int) -> tuple[Floats, float, int]:
    """Mean of what follows some edges, sample by sample, and how far its samples lie after the edges on average."""
    wave, total, shifts = survey.wave, np.zeros(last - first), []
    for place in places:
        begin = math.ceil(float(place))
        if begin + last > len(wave):
            continue
        segment = wave.values(begin + first, begin + last)
        if not np.isfinite(segment).all():
            continue
        total += segment
        shifts.append(begin - float(place))
    if not shifts:
        raise NotMeasurable(
            f"`{survey.name}`: no whole half period after an edge", expected="at least one", do="lengthen `span`"
        )
    return total / len(shifts), float(np.mean(shifts)), len(shifts)


def _refined(times: Floats, values: Floats, start: _Flat) -> _Flat:
    """The best of all time constants, from one near it by Gauss and Newton's iteration; with the errors of all three.

    What follows an edge too soon is not fitted, so that the height there follows from the time constant.
    """
    best, step = start, start.time_constant / TRIED
    for _ in range(ROUNDS):
        columns = _columns(times, best)
        residuals = values - weighted(np.array([best.final, best.height]), columns[:2])
        change = float(least_squares(columns, residuals)[2])
        again = _fitted(times, values, best.time_constant + min(max(change, -step), step))
        if not again.squares < best.squares:
            break
        best = again
    columns = _columns(times, best)
    if not best.height:
        return best
    variance = best.squares / max(1, times.size - 3)
    spread = solve(gram(columns), np.eye(3))
    return replace(best, height_uncertainty=math.sqrt(variance * float(spread[1, 1])))


def _columns(times: Floats, fit: _Flat) -> Floats:
    """What the curve changes by with its final value, its height and its time constant."""
    decay = exp(-times / fit.time_constant)
    return np.array([np.ones(times.size), decay, decay * times * (fit.height / square(fit.time_constant))])


def _fitted(times: Floats, values: Floats, time_constant: float) -> _Flat:
    """The exponential of one time constant that fits best."""
    decay = exp(-times / time_constant)
    columns = np.array([np.ones(times.size), decay])
    solution = least_squares(columns, values)
    squares = float(np.sum(square(values - weighted(solution, columns))))
    spread = solve(gram(columns), np.eye(2))
    variance = squares / max(1, times.size - 3)
    return _Flat(
        final=float(solution[0]),
        height=float(solution[1]),
        time_constant=time_constant,
        height_uncertainty=math.sqrt(variance * float(spread[1, 1])),
        squares=squares,
    )
