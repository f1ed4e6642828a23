"""Filters of a signal: Butterworth low, high and band pass, causal or without delay, and the moving average.

A causal filter delays as a circuit does; a zero-phase one runs forward and then backward, so that edges stay where
they are, at twice the order and with twice the attenuation (6 dB at the cut-off instead of 3 dB). Both start settled
to the first sample, the zero-phase one in front of an odd extension of the record; the results are those of
`scipy.signal.sosfilt` and `sosfiltfilt` (there called odd padding) over the whole record, to the last bit.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from wavewright.analysis.elementary.exponentials import log
from wavewright.analysis.signals.butterworth import Band, Sections, butterworth_sections
from wavewright.analysis.signals.signals import DerivedSignal, Signal, without_gaps
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Floats

HIGHEST_ORDER = 12
LOWEST_SHARE = 1e-6  # of half the rate; below it double precision no longer holds the sections' steady state (math)
SETTLED = 0.01  # what is left of a step when a filter counts as settled


def butterworth(source: Signal, band: Band, cutoffs: tuple[float, ...], *, order: int = 2) -> Sections:
    """Second-order sections of a Butterworth filter for the rate of a signal.

    Parameters
    ----------
    cutoffs : Hz; one, or two for a band pass; 3 dB points of one pass.
    order : of the low pass it is made from.

    Raises
    ------
    Misuse : the order.
    NotMeasurable : a cut-off that is not between 0 and half the sampling rate.
    """
    if not 1 <= order <= HIGHEST_ORDER:
        raise Misuse(f"filter order {order}", expected=f"1 .. {HIGHEST_ORDER}")
    half_rate = 0.5 / source.interval
    if not all(0 < cutoff < half_rate for cutoff in cutoffs) or list(cutoffs) != sorted(set(cutoffs)):
        raise NotMeasurable(
            f"cut-off {' .. '.join(f'{cutoff:g}' for cutoff in cutoffs)} Hz at {1 / source.interval:g} samples/s",
            expected=f"rising, above 0 and below {half_rate:g} Hz, half the sampling rate",
            do="raise the rate, or lower the cut-off",
        )
    if min(cutoffs) < LOWEST_SHARE * half_rate:
        raise NotMeasurable(
            f"cut-off {min(cutoffs):g} Hz at {1 / source.interval:g} samples/s",
            expected=f"at least {LOWEST_SHARE * half_rate:g} Hz, a millionth of half the sampling rate",
            do="check the unit (`1 MHz`, not `1 mHz`), or bring the channel to a lower rate with `resample` first",
        )
    return butterworth_sections(order, tuple(cutoff / half_rate for cutoff in cutoffs), band)


def settling_of(sections: Sections, interval: float) -> float:
    """How long the slowest pole of a filter needs until 1 % of where it began is left, s."""
    slowest = max(float(np.abs(np.roots(section[3:])).max()) for section in sections)
    return interval * log(SETTLED) / log(slowest) if 0 < slowest < 1 else 0.0


class _Filter(DerivedSignal):
    """A signal after a filter."""

    def __init__(self, source: Signal, sections: Sections) -> None:
        super().__init__(source)
        self._sections = sections

    @property
    def settling_time(self) -> float:
        """Of this filter, or of a slower one before it, s."""
        return max(super().settling_time, settling_of(self._sections, self.interval))


class CausalFilter(_Filter):
    """A filter that knows only the past; its state at the head of every block is kept."""

    def __init__(self, source: Signal, sections: Sections, *, state: Any = None) -> None:
        from scipy.signal import sosfilt, sosfilt_zi

        super().__init__(source, sections)
        self._filter = sosfilt
        if state is None and source.length:
            state = sosfilt_zi(sections) * source.span(0, 1)[0]  # as if the first value had always been there
        self._states = [state]

    def compute(self, number: int) -> Floats:
        """Filter one block from its state."""
        while len(self._states) <= number:
            self.block(len(self._states) - 1)
        first, _ = self.bounds(number)
        values = without_gaps(self.source.block(number), self.source, first, "a filter")
        filtered, state = self._filter(self._sections, values, zi=self._states[number])
        if len(self._states) == number + 1:
            self._states.append(state)
        passed: Floats = filtered
        return passed

    def state_after(self, number: int) -> Any:
        """The state after a block."""
        while len(self._states) <= number + 1:
            self.compute(len(self._states) - 1)
        return self._states[number + 1]


class ZeroPhaseFilter(_Filter):
    """A filter that runs forward and backward: no delay, no phase.

    The backward run begins at the end of the record. It is made once to note its state at the end of every block,
    and again block by block when values are asked for; the forward values are made anew each time from their noted
    states. So nothing as long as the record is kept.
    """

    def __init__(self, source: Signal, sections: Sections) -> None:
        from scipy.signal import sosfilt, sosfilt_zi

        super().__init__(source, sections)
        self._filter = sosfilt
        self._settled = sosfilt_zi(sections)
        self._forward: CausalFilter | None = None
        self._states: dict[int, Any] = {}  # after the end of each block, seen from the back

    def compute(self, number: int) -> Floats:
        """Forward values of one block, filtered from its end."""
        forward = self._forward or self._run()
        backward, _ = self._filter(self._sections, forward.block(number)[::-1], zi=self._states[number])
        values: Floats = backward[::-1]
        return values

    def _run(self) -> CausalFilter:
        """Both runs, keeping nothing but the states."""
        extension = min(3 * self._taps(), self.length - 1)
        head = self.source.span(0, extension + 1)
        before = 2 * head[0] - head[:0:-1]
        settled = self._settled * (before[0] if before.size else head[0])
        _, state = self._filter(self._sections, before, zi=settled) if before.size else (None, settled)
        forward = CausalFilter(self.source, self._sections, state=state)
        tail = self.source.span(self.length - 1 - extension, self.length)
        after = 2 * tail[-1] - tail[-2::-1] if extension else np.empty(0)
        if after.size:
            beyond, _ = self._filter(self._sections, after, zi=forward.state_after(self.blocks - 1))
            _, state = self._filter(self._sections, beyond[::-1], zi=self._settled * beyond[-1])
        else:
            state = self._settled * forward.block(self.blocks - 1)[-1]
        for number in reversed(range(self.blocks)):
            self._states[number] = state
            if number:
                _, state = self._filter(self._sections, forward.block(number)[::-1], zi=state)
        self._forward = forward
        return forward

    def _taps(self) -> int:
        """Order of the filter plus 1: sections may have a pole and a zero at 0, which count for nothing."""
        empty = min((self._sections[:, 2] == 0).sum(), (self._sections[:, 5] == 0).sum())
        return int(2 * len(self._sections) + 1 - empty)


class MovingAverage(DerivedSignal):
    """Mean over a window centred on each sample, of the odd number of samples nearest to `span`.

    At the ends of the record the window is cut off where the record is. Invalid samples are left out of the mean.
    """

    def __init__(self, source: Signal, span: float) -> None:
        super().__init__(source)
        self.reach = window_reach(source, span)

    def compute(self, number: int) -> Floats:
        """Differences of the running sum of one block and its surroundings."""
        first, last = self.bounds(number)
        begin = max(first - self.reach, 0)
        values = self.source.span(begin, last + self.reach)
        index = np.arange(first, last)
        low = np.maximum(index - self.reach, 0) - begin
        high = np.minimum(index + self.reach + 1, self.length) - begin
        valid = ~np.isnan(values)
        level = values[valid][0] if valid.any() else 0.0  # sums near 0 lose no digits to a large mean
        sums = np.concatenate([[0.0], np.cumsum(np.where(valid, values - level, 0.0))])
        counts = np.concatenate([[0], np.cumsum(valid)])
        with np.errstate(all="ignore"):
            means: Floats = (sums[high] - sums[low]) / (counts[high] - counts[low]) + level
        return means


def window_reach(source: Signal, span: float) -> int:
    """How many samples a centred window of `span` seconds reaches to each side.

    Raises
    ------
    NotMeasurable : a span that is not above 0 or longer than the record.
    """
    if not 0 < span <= max(source.length, 1) * source.interval:
        raise NotMeasurable(
            f"a window of {span:g} s",
            expected=f"above 0 and at most {source.length * source.interval:g} s, the length of the record",
        )
    return max(round((span / source.interval - 1) / 2), 0)
