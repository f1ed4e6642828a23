"""Comparison of two waveforms: brought over each other in time, then how much later, larger, higher and how different.

The second is compared with the first: a delay above 0 means that the second comes later, a gain above 1 that it is
larger. Differences are second minus first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.elementary.sums import least_squares
from wavewright.analysis.reading import Reading
from wavewright.analysis.signals.resampling import Interpolated, Resampled
from wavewright.analysis.signals.signals import ChannelSignal, Signal
from wavewright.analysis.uncertainty.budget import Budget, difference
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Floats, Waveform

Alignment = Literal["trigger", "correlation"]
_LONGEST = 2**20  # samples that are correlated at a time
_PART = 2**18  # samples that a delay is refined on
_ROUNDS = 12


@dataclass(frozen=True, slots=True)
class WaveformDifference:
    """How a second waveform differs from a first one.

    Parameters
    ----------
    delay : s, of the second after the first. With alignment by trigger it is measured, but not taken out.
    gain, offset : the line that fits best: second ≈ gain · first + offset; `offset` in the waveforms' unit.
    rms_difference : of second minus first over the time in common, in the waveforms' unit.
    largest_difference, largest_at : with its sign, and its time on the first waveform's axis, s.
    residual_rms : what is left of the rms when gain and offset are taken out as well.
    correlation : coefficient, −1 … 1.
    samples : that were compared, at the first waveform's instants.
    """

    unit: str
    alignment: Alignment
    delay: float
    gain: float
    offset: float
    rms_difference: float
    largest_difference: float
    largest_at: float
    residual_rms: float
    correlation: float
    samples: int


@dataclass(frozen=True, slots=True)
class MetricChange:
    """One row of the table: what a metric was, what it is, and whether that is more than their uncertainty.

    Parameters
    ----------
    before, after : None where there was no value; then `change` and `relative` are None too, and `reason` says why.
    relative : change over the magnitude of `before`; None where that is 0.
    uncertainty : standard uncertainty of the change; None where neither is known.
    budget : of the change, in which what both readings have in common leaves each other; None where one has none.
    """

    metric: str
    unit: str
    before: float | None
    after: float | None
    change: float | None
    relative: float | None
    uncertainty: float | None
    reason: str = ""
    budget: Budget | None = None

    @property
    def has_moved(self) -> bool:
        """Whether the change is above twice its standard uncertainty (about 95 %); any is, where that is not known."""
        return self.change is not None and abs(self.change) > 2 * (self.uncertainty or 0.0)


def compare(
    first: Waveform, second: Waveform, *, align: Alignment = "correlation", most_delay: float | None = None
) -> WaveformDifference:
    """Compare a second waveform with a first one.

    Parameters
    ----------
    align : `trigger` compares at equal times, `correlation` at the delay where both agree best.
    most_delay : s, ≥ 0: the delay is looked for within ± this; half of the shorter record where left out.

    Raises
    ------
    Misuse : other units.
    NotMeasurable : a record without samples, without change, with invalid samples, or no time in common.
    """
    if first.unit != second.unit:
        raise Misuse(f"{second.unit} compared with {first.unit}", expected="waveforms of one unit")
    for wave in (first, second):
        if len(wave) < 8:
            raise NotMeasurable(f"`{wave.label}` has {len(wave)} samples", expected="at least 8 to compare")
        if wave.codes.dtype.kind == "f" and not np.isfinite(wave.codes).all():
            raise NotMeasurable(f"`{wave.label}` has invalid samples", expected="none, for a comparison")
    longest = 0.5 * min(first.duration, second.duration) if most_delay is None else most_delay
    one: Signal = ChannelSignal(first)
    other: Signal = ChannelSignal(second)
    if abs(other.interval / one.interval - 1) * max(one.length, other.length) > 1e-3:
        other = Resampled(other, one.interval)
    delay = _delay(one, other, longest)
    return _differences(one, other, first.unit, align, delay)


def metric_changes(before: Mapping[str, Reading], after: Mapping[str, Reading]) -> tuple[MetricChange, ...]:
    """Which metrics moved by how much: a row for each name in both tables, in the order of the first."""
    return tuple(_change(name, before[name], after[name]) for name in before if name in after)


def _change(name: str, before: Reading, after: Reading) -> MetricChange:
    if before.value is None or after.value is None:
        reason = before.reason if before.value is None else after.reason
        return MetricChange(name, before.unit, before.value, after.value, None, None, None, reason)
    if before.unit != after.unit:
        raise Misuse(f"`{name}` in {before.unit} and {after.unit}", expected="the same unit before and after")
    known = [u for u in (before.uncertainty, after.uncertainty) if u is not None]
    change = after.value - before.value
    return MetricChange(
        metric=name,
        unit=before.unit,
        before=before.value,
        after=after.value,
        change=change,
        relative=change / abs(before.value) if before.value else None,
        uncertainty=math.hypot(*known) if known else None,
        budget=None if before.budget is None or after.budget is None else difference(after.budget, before.budget),
    )


def _overlap(first: Signal, second: Signal, delay: float) -> tuple[int, int]:
    """Samples of the first at whose times, `delay` later, there is a second: the first, and the one after the last."""
    shift = (second.start - delay - first.start) / first.interval
    end = shift + (second.length - 1) * second.interval / first.interval
    begin = max(math.ceil(shift - 1e-6), 0)
    return begin, max(min(math.floor(end + 1e-6) + 1, first.length), begin)


def _moved(first: Signal, second: Signal, delay: float, begin: int, end: int) -> Signal:
    """The second, `delay` earlier, at the instants `begin` up to `end` of the first."""
    return Interpolated(
        second,
        start=first.start + begin * first.interval + delay,
        interval=first.interval,
        length=end - begin,
    )


def _delay(first: Signal, second: Signal, longest: float) -> float:
    """Where both agree best: by correlation of thinned records, then of a part at full rate, then by least squares."""
    thinning = max(1, -(-max(first.length, second.length) // _LONGEST))
    ahead = second.start - first.start
    coarse = _lag(_thinned(first, thinning), _thinned(second, thinning), thinning * first.interval, ahead, longest)
    if thinning > 1:
        coarse = _lag_of_part(first, second, coarse, thinning)
    return _refined(first, second, min(max(coarse, -longest), longest), longest)


def _thinned(signal: Signal, by: int) -> Floats:
    """Means of groups of samples, block by block."""
    if by == 1:
        return signal.span(0, signal.length)
    groups = signal.length // by
    size = max(1, signal.block_size // by)
    parts = [
        signal.span(begin * by, min(begin + size, groups) * by).reshape(-1, by).mean(axis=1)
        for begin in range(0, groups, size)
    ]
    return np.concatenate(parts)


def _lag(first: Floats, second: Floats, interval: float, ahead: float, longest: float) -> float:
    """How much later the second is, by the peak of the normalised cross-correlation, s; it begins `ahead` later."""
    from scipy.signal import correlate, correlation_lags

    one, other = first - first.mean(), second - second.mean()
    if not (one.any() and other.any()):
        raise NotMeasurable("a record that does not change", expected="a signal in both records, to align them")
    products = correlate(other, one, method="fft")
    lags = correlation_lags(other.size, one.size)
    in_common = np.minimum(other.size, one.size + lags) - np.maximum(lags, 0)
    delays = ahead + lags * interval
    allowed = (np.abs(delays) <= longest + interval) & (in_common >= 0.25 * min(one.size, other.size))
    if not allowed.any():
        raise NotMeasurable(
            f"the second record begins {ahead:g} s after the first; a delay of at most {longest:g} s was searched",
            expected="records that share at least a quarter of the shorter one",
            do="raise `most_delay`",
        )
    energy_one = np.concatenate([[0.0], np.cumsum(one * one)])
    energy_other = np.concatenate([[0.0], np.cumsum(other * other)])
    begin, end = np.maximum(lags, 0), np.maximum(lags, 0) + np.maximum(in_common, 0)
    opposite = np.clip(begin - lags, 0, one.size)
    energies = (energy_other[end] - energy_other[begin]) * (
        energy_one[np.clip(opposite + end - begin, 0, one.size)] - energy_one[opposite]
    )
    floor = 1e-12 * energy_one[-1] * energy_other[-1]
    scores = np.where(allowed & (energies > floor), products / np.sqrt(np.maximum(energies, floor)), -np.inf)
    best = np.flatnonzero(scores >= scores.max() - 1e-9)
    return float(delays[best[np.abs(delays[best]).argmin()]])  # of equal ones, as a clock has, the nearest


def _busiest(signal: Signal, begin: int, end: int) -> tuple[int, int]:
    """The part of a span, at most 2¹⁸ samples, in which the signal changes most: there a delay shows best."""
    if end - begin <= _PART:
        return begin, end
    step = _PART // 8
    starts = range(begin, end - step + 1, step)
    scatter = np.array([np.var(signal.span(start, start + step)) for start in starts])
    together = np.lib.stride_tricks.sliding_window_view(scatter, 8).sum(axis=1)
    start = begin + step * int(together.argmax())
    return start, start + _PART


def _lag_of_part(first: Signal, second: Signal, delay: float, thinning: int) -> float:
    """At full rate, in a part, around the delay that the thinned records gave."""
    begin, end = _busiest(first, *_overlap(first, second, delay))
    one = first.span(begin, end)
    other = _moved(first, second, delay, begin, end).span(0, end - begin)
    return delay + _lag(one, other, first.interval, 0.0, 2 * thinning * first.interval)


def _refined(first: Signal, second: Signal, delay: float, longest: float) -> float:
    """The delay of least squares, by Gauss and Newton, with gain and offset fitted in each iteration."""
    begin, end = _overlap(first, second, delay)
    margin = min((end - begin) // 8, 80)  # the ends are interpolated less well
    begin, end = _busiest(first, begin + margin, end - margin)
    if end - begin < 8:
        raise NotMeasurable(f"{max(end - begin, 0)} samples in common", expected="at least 8, away from the ends")
    one = first.span(begin, end)
    best, best_left = delay, math.inf
    for _ in range(_ROUNDS):
        other = _moved(first, second, delay, begin, end).span(0, end - begin)
        columns = np.array([one, np.ones(one.size), np.gradient(other, first.interval)])
        scale = np.maximum(np.abs(columns).max(axis=1), np.finfo(float).tiny)
        gain, offset, step = (least_squares(columns / scale[:, np.newaxis], other) / scale).tolist()
        left = float(np.sum(square(other - gain * one - offset)))
        if left < best_left:
            best, best_left = delay, left
        step = min(max(step, -first.interval), first.interval)
        moved = min(max(delay - step, -longest), longest)
        if abs(moved - delay) < 1e-7 * first.interval:
            break
        delay = moved
    return best


def _differences(one: Signal, other: Signal, unit: str, align: Alignment, delay: float) -> WaveformDifference:
    """Sums over the time in common, block by block."""
    taken_out = delay if align == "correlation" else 0.0
    begin, end = _overlap(one, other, taken_out)
    if end - begin < 2:
        raise NotMeasurable("the two records have no time in common", expected="at least 2 samples of both")
    moved = _moved(one, other, taken_out, begin, end)
    level = float(one.span(begin, begin + 1)[0])
    sums, squares, largest, largest_at = np.zeros(5), 0.0, 0.0, begin
    for number in range(moved.blocks):
        low, high = moved.bounds(number)
        x, y = one.span(begin + low, begin + high) - level, moved.block(number) - level
        difference = y - x
        sums += [x.sum(), y.sum(), (x * x).sum(), (y * y).sum(), (x * y).sum()]
        squares += float((difference * difference).sum())
        worst = int(np.abs(difference).argmax())
        if abs(difference[worst]) > abs(largest):
            largest, largest_at = float(difference[worst]), begin + low + worst
    n = end - begin
    sum_x, sum_y, sum_xx, sum_yy, sum_xy = sums.tolist()
    xx, yy, xy = sum_xx - square(sum_x) / n, sum_yy - square(sum_y) / n, sum_xy - sum_x * sum_y / n
    if xx <= 0:
        raise NotMeasurable(
            "the first record does not change in the time in common", expected="a signal to compare with"
        )
    gain = xy / xx
    return WaveformDifference(
        unit=unit,
        alignment=align,
        delay=delay,
        gain=gain,
        offset=(sum_y - gain * sum_x) / n + level * (1 - gain),
        rms_difference=math.sqrt(squares / n),
        largest_difference=largest,
        largest_at=one.start + one.interval * largest_at,
        residual_rms=math.sqrt(max(yy - gain * xy, 0.0) / n),
        correlation=xy / math.sqrt(xx * yy) if yy > 0 else 0.0,
        samples=n,
    )
