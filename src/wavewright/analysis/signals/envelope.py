"""Envelopes of a signal: running maximum and minimum, and the amplitude between them."""

from __future__ import annotations

from typing import Literal

import numpy as np

from wavewright.analysis.signals.filters import window_reach
from wavewright.analysis.signals.signals import DerivedSignal, Signal
from wavewright.waveform import Floats

Side = Literal["upper", "lower", "amplitude"]


class Envelope(DerivedSignal):
    """Highest value, lowest value, or half the difference of both, in a window centred on each sample.

    With a window of one period of a carrier, `amplitude` is the amplitude that it is modulated with. The window has
    the odd number of samples nearest to `span` and is cut off at the ends of the record; invalid samples do not count.
    """

    def __init__(self, source: Signal, span: float, side: Side) -> None:
        super().__init__(source)
        self.reach, self.side = window_reach(source, span), side

    def compute(self, number: int) -> Floats:
        """Extremes of one block and its surroundings."""
        if self.side == "upper":
            return self._extremes(number, 1.0)
        if self.side == "lower":
            return -self._extremes(number, -1.0)
        return 0.5 * (self._extremes(number, 1.0) + self._extremes(number, -1.0))

    def _extremes(self, number: int, sign: float) -> Floats:
        from scipy.ndimage import maximum_filter1d

        first, last = self.bounds(number)
        begin = max(first - self.reach, 0)
        values = sign * self.source.span(begin, last + self.reach)
        values = np.where(np.isnan(values), -np.inf, values)
        highest: Floats = maximum_filter1d(values, 2 * self.reach + 1, mode="constant", cval=-np.inf)
        highest = highest[first - begin : last - begin]
        return np.where(np.isneginf(highest), np.nan, highest)
