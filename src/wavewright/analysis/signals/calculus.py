"""Integral and derivative of a signal over time."""

from __future__ import annotations

import numpy as np

from wavewright.analysis.signals.signals import DerivedSignal, Signal, without_gaps
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats


class Integral(DerivedSignal):
    """Integral over time from the first sample on, by the trapezium rule; 0 at the first sample.

    The sum is carried from block to block in order, so it is that of the whole record to the last bit.
    """

    def __init__(self, source: Signal) -> None:
        super().__init__(source)
        self._sums = [0.0]  # up to the first sample of each block

    def compute(self, number: int) -> Floats:
        """Running sum of the trapezia of one block."""
        while len(self._sums) < number + 1:
            self.block(len(self._sums) - 1)
        first, last = self.bounds(number)
        begin = max(first - 1, 0)
        values = without_gaps(self.source.span(begin, last), self.source, begin, "an integral")
        areas = self.interval * (values[1:] + values[:-1]) / 2.0
        sums = np.cumsum(np.concatenate([self._sums[number : number + 1], areas]))
        if first > 0:
            sums = sums[1:]
        if len(self._sums) == number + 1 and sums.size:
            self._sums.append(float(sums[-1]))
        return sums


class Derivative(DerivedSignal):
    """Slope at each sample: half the difference of its neighbours over the interval; one-sided at both ends."""

    def __init__(self, source: Signal) -> None:
        super().__init__(source)
        if source.length < 2:
            raise NotMeasurable(f"derivative of {source.length} samples", expected="at least 2 samples")

    def compute(self, number: int) -> Floats:
        """Differences of one block and a sample on each side."""
        first, last = self.bounds(number)
        values = self.source.span(first - 1, last + 1)
        left = 0 if first == 0 else 1
        slopes = np.empty(last - first)
        inner = (values[2:] - values[:-2]) / (2.0 * self.interval)
        begin = 1 - left
        slopes[begin : begin + inner.size] = inner
        if first == 0:
            slopes[0] = (values[1] - values[0]) / self.interval
        if last == self.length:
            slopes[-1] = (values[-1] - values[-2]) / self.interval
        return slopes
