"""Band-limited interpolation (sin x / x): a signal at other instants than it was sampled at.

The series of the sampling theorem, cut off by a Kaiser window at 64 samples on each side, so that tones up to 0.46 of
the sampling rate come back to better than 1 part in 10⁵. Each set of weights adds up to 1: a constant stays one. Beyond
the ends of the record its first and last value go on, so a few samples at each end are less exact.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from wavewright.analysis.elementary.bessel import bessel_i0
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.elementary.turns import sinc
from wavewright.analysis.signals.signals import GRID, Signal
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

REACH = 64  # samples of the slower of both rates, on each side
_SHAPE = 12.0  # of the Kaiser window: about 118 dB
_MOST_WEIGHTS = 2**19  # kept; where more would be needed they are computed for each instant
_LEAST = 512  # instants at a time: neighbours share most of the samples around them


def interpolation_weights(fractions: Floats, *, narrowing: float = 1.0) -> Floats:
    """Weights of the samples around each of some instants.

    Parameters
    ----------
    fractions : shape (n,), 0 … 1: how far each instant lies after the sample before it, in samples.
    narrowing : ≥ 1: by how much the pass band is narrowed, for a rate that is lower than the signal's.

    Returns
    -------
    shape (n, 2 · reach), reach = ceil(64 · narrowing): for the samples from −reach + 1 to reach, counted from the
    sample before the instant.
    """
    reach = math.ceil(REACH * narrowing)
    distances = (np.arange(1 - reach, reach + 1) - fractions[:, np.newaxis]) / narrowing
    window = bessel_i0(_SHAPE * np.sqrt(np.clip(1 - square(distances / REACH), 0, None)))
    weights = sinc(distances) * np.where(np.abs(distances) < REACH, window, 0.0)
    normalised: Floats = weights / weights.sum(axis=1, keepdims=True)
    return normalised


class Interpolated(Signal):
    """A signal at instants of one's own choice, equally spaced; frequencies above half the new rate are taken out.

    Parameters
    ----------
    start : s; beyond the ends of the source its first and last value go on.
    interval : s.
    length : instants.
    """

    def __init__(self, source: Signal, *, start: float, interval: float, length: int) -> None:
        steps = interval / source.interval
        if not (1e-4 <= steps <= 1e4):
            raise NotMeasurable(
                f"resampling from {1 / source.interval:g} to {1 / interval:g} samples/s",
                expected="at most a factor of 10000 up or down",
            )
        super().__init__(interval=interval, start=start, length=length, block_size=source.block_size)
        self.source = source
        self._steps = steps
        self._narrowing = max(1.0, steps)
        self._reach = math.ceil(REACH * self._narrowing)
        self._place = (start - source.start) / source.interval  # of the first instant among the source's samples
        ratio = Fraction(steps).limit_denominator(max(1, _MOST_WEIGHTS // (2 * self._reach)))
        is_exact = abs(float(ratio) - steps) * max(length, 1) < 1e-8  # samples, at the last instant
        self._ratio = ratio if is_exact else None  # None: every instant lies differently
        self._kernel: Floats | None = None

    def compute(self, number: int) -> Floats:
        """Weighted sums around each instant of one block."""
        first, last = self.bounds(number)
        if self._ratio is None:
            part = max(1, _MOST_WEIGHTS // (2 * self._reach))
            parts = [self._one_by_one(begin, min(begin + part, last)) for begin in range(first, last, part)]
        else:
            part = max(_LEAST, int(self.block_size / self._narrowing))
            parts = [self._in_turn(begin, min(begin + part, last), self._ratio) for begin in range(first, last, part)]
        return np.concatenate(parts)

    def _one_by_one(self, first: int, last: int) -> Floats:
        """Weights computed for each instant."""
        position = self._place + np.arange(first, last) * self._steps
        whole = np.floor(position).astype(np.int64)
        weights = interpolation_weights(position - whole, narrowing=self._narrowing)
        begin = int(whole[0]) + 1 - self._reach
        around = self.source.span_with_edges(begin, int(whole[-1]) + self._reach + 1)
        windows = np.lib.stride_tricks.sliding_window_view(around, 2 * self._reach)
        values: Floats = (windows[whole + 1 - self._reach - begin] * weights).sum(axis=1)
        return values

    def _in_turn(self, first: int, last: int, ratio: Fraction) -> Floats:
        """A few sets of weights that serve in turn, as a filter between raising and lowering the rate."""
        from scipy.signal import upfirdn

        up, down = ratio.denominator, ratio.numerator
        whole = math.floor(self._place * up)  # the first instant, in steps of both rates
        if self._kernel is None:
            fractions = (np.arange(up) + (self._place * up - whole)) / up
            self._kernel = interpolation_weights(fractions, narrowing=self._narrowing)[:, ::-1].T.ravel()
        begin = (whole + first * down) // up + 1 - self._reach
        end = (whole + (last - 1) * down) // up + self._reach + 1
        around = self.source.span_with_edges(begin, end)
        ahead = whole + first * down - begin * up + self._reach * up
        padding = -ahead % down
        values: Floats = upfirdn(np.concatenate([np.zeros(padding), self._kernel]), around, up, down)
        begin = (ahead + padding) // down
        return values[begin : begin + last - first]


def together(operands: Sequence[Signal | float]) -> tuple[Signal | float, ...]:
    """Signals at the instants of the first: one that ticks alike, between them, is interpolated, as a skew makes it.

    Numbers, and signals with another interval, stay as they are.
    """
    first = next((one for one in operands if isinstance(one, Signal)), None)
    return tuple(_at_instants_of(first, one) if first and isinstance(one, Signal) else one for one in operands)


def _at_instants_of(first: Signal, other: Signal) -> Signal:
    steps = (other.start - first.start) / first.interval
    longest = max(first.length, other.length, 1)
    slip = steps - round(steps)
    if abs(slip) <= GRID or abs(other.interval / first.interval - 1) * longest > GRID or other.length < 2:
        return other
    start = first.start + math.ceil(steps) * first.interval
    return Interpolated(other, start=start, interval=first.interval, length=other.length - 1)


class Resampled(Interpolated):
    """A signal at another rate, from the same first instant."""

    def __init__(self, source: Signal, interval: float) -> None:
        steps = interval / source.interval
        length = math.floor((source.length - 1) / steps * (1 + 1e-12)) + 1 if source.length else 0
        super().__init__(source, start=source.start, interval=interval, length=length)


class Delayed(Signal):
    """A signal that comes later (or, with a negative delay, earlier), at the instants of the original.

    Whole samples are shifted exactly, the rest is interpolated. It covers the time for which the original is known.
    """

    def __init__(self, source: Signal, delay: float) -> None:
        steps = delay / source.interval
        whole = math.floor(steps + 1e-9)
        fraction = steps - whole
        self._fraction = 0.0 if fraction < 1e-9 else fraction
        lost = 1 if self._fraction else 0
        super().__init__(
            interval=source.interval,
            start=source.start + (whole + lost) * source.interval,
            length=max(source.length - lost, 0),
            block_size=source.block_size,
        )
        self.source = source
        self._weights = interpolation_weights(np.array([1 - self._fraction]))[0]

    def compute(self, number: int) -> Floats:
        """One block, interpolated at the same distance after each sample."""
        first, last = self.bounds(number)
        if not self._fraction:
            return self.source.span(first, last)
        around = self.source.span_with_edges(first + 1 - REACH, last + REACH)
        from scipy.signal import upfirdn

        size = self._weights.size
        values: Floats = upfirdn(self._weights[::-1], around)[size - 1 : around.size]
        return values
