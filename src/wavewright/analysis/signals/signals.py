"""Signals: values over a regular time axis, made block by block when asked for, so that no record is ever whole twice.

A signal gives any of its blocks at any time. Those with a memory (filters, integrals) keep their state at the head of
every block, a few numbers each, and so give the same values in whatever order and size blocks are asked for.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.record.blocks import BLOCK
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats, Waveform

if TYPE_CHECKING:
    import numpy.typing as npt

GRID = 1e-3  # of an interval: signals that slip by less tick together
_KEPT = 4  # blocks: enough for a neighbour on each side


class Signal:
    """Values in SI units at `start + interval · index`, `index` from 0 up to, and without, `length`."""

    def __init__(self, *, interval: float, start: float, length: int, block_size: int = BLOCK) -> None:
        self.interval, self.start, self.length, self.block_size = interval, start, length, block_size
        self._kept: dict[int, Floats] = {}

    @property
    def sources(self) -> tuple[Signal, ...]:
        """The signals that it is made from."""
        return ()

    @property
    def settling_time(self) -> float:
        """How long the slowest filter on the way to it needs to forget where it began, s; 0 without a filter."""
        return max((source.settling_time for source in self.sources), default=0.0)

    @property
    def blocks(self) -> int:
        """Number of blocks, the last of which may be short."""
        return -(-self.length // self.block_size)

    def bounds(self, number: int) -> tuple[int, int]:
        """First sample of a block, and the one after its last."""
        return number * self.block_size, min((number + 1) * self.block_size, self.length)

    def block(self, number: int) -> Floats:
        """The values of a block; not to be written to."""
        if number not in self._kept:
            if len(self._kept) >= _KEPT:
                self._kept.pop(next(iter(self._kept)))
            self._kept[number] = self.compute(number)
        return self._kept[number]

    def compute(self, number: int) -> Floats:
        """Make the values of one block."""
        raise NotImplementedError

    def span(self, first: int, last: int) -> Floats:
        """The values of samples `first` up to, and without, `last`; those outside the record are left out."""
        first, last = max(first, 0), min(last, self.length)
        if first >= last:
            return np.empty(0)
        numbers = range(first // self.block_size, (last - 1) // self.block_size + 1)
        if len(numbers) == 1:
            begin = numbers[0] * self.block_size
            return self.block(numbers[0])[first - begin : last - begin]
        parts = []
        for number in numbers:
            begin, _ = self.bounds(number)
            parts.append(self.block(number)[max(first - begin, 0) : last - begin])
        return np.concatenate(parts)

    def span_with_edges(self, first: int, last: int) -> Floats:
        """As `span`, but the first and the last value of the record go on for ever beyond its ends."""
        inside = self.span(first, last)
        before, after = max(0, min(last, 0) - first), max(0, last - max(first, self.length))
        if not (before or after):
            return inside
        head, tail = (self.span(0, 1), self.span(self.length - 1, self.length))
        return np.concatenate([np.repeat(head, before), inside, np.repeat(tail, after)])

    def waveform(self, *, unit: str, name: str) -> Waveform:
        """All of it as a waveform of float64 codes, held once."""
        codes = np.empty(self.length)
        for number in range(self.blocks):
            first, last = self.bounds(number)
            codes[first:last] = self.block(number)
        return Waveform(codes, interval=self.interval, start=self.start, unit=unit, name=name)


def without_gaps(values: Floats, source: Signal, first: int, what: str) -> Floats:
    """The values, which begin at sample `first`, if all of them are valid.

    Raises
    ------
    NotMeasurable : one is not; what remembers the past would be invalid from there to the end of the record.
    """
    if np.isfinite(values).all():
        return values
    index = first + int(np.flatnonzero(~np.isfinite(values))[0])
    raise NotMeasurable(
        f"an invalid sample at {source.start + index * source.interval:g} s",
        expected=f"a record without gaps, for {what}",
        do="use `moving_average`, which leaves invalid samples out, or measure ahead of the gap",
    )


class DerivedSignal(Signal):
    """A signal on the time axis of another."""

    def __init__(self, source: Signal) -> None:
        super().__init__(
            interval=source.interval, start=source.start, length=source.length, block_size=source.block_size
        )
        self.source = source

    @property
    def sources(self) -> tuple[Signal, ...]:
        """The one that it follows."""
        return (self.source,)


class ChannelSignal(Signal):
    """A waveform, scaled: factor · value + shift. Scaling it again costs nothing, and codes stay codes."""

    def __init__(self, wave: Waveform, *, factor: float = 1.0, shift: float = 0.0, block_size: int = BLOCK) -> None:
        super().__init__(interval=wave.interval, start=wave.start, length=len(wave), block_size=block_size)
        self.wave, self.factor, self.shift = wave, factor, shift

    def scaled(self, *, factor: float = 1.0, shift: float = 0.0) -> ChannelSignal:
        """factor · this + shift."""
        return ChannelSignal(
            self.wave, factor=self.factor * factor, shift=self.shift * factor + shift, block_size=self.block_size
        )

    def compute(self, number: int) -> Floats:
        """Codes of one block to values."""
        first, last = self.bounds(number)
        gain, offset = self.wave.gain * self.factor, self.wave.offset * self.factor + self.shift
        return offset + gain * self.wave.codes[first:last].astype(np.float64)

    def waveform(self, *, unit: str, name: str) -> Waveform:
        """The same codes with another scale: nothing is copied."""
        wave = self.wave
        return Waveform(
            wave.codes,
            gain=wave.gain * self.factor,
            offset=wave.offset * self.factor + self.shift,
            interval=wave.interval,
            start=wave.start,
            unit=unit,
            name=name,
            code_range=wave.code_range,
        )


class PointwiseSignal(Signal):
    """A function of one or more signals sample by sample, over the time that all of them cover.

    What has no finite value (a division by 0, the root of a negative number) becomes NaN: an invalid sample.
    """

    def __init__(self, function: Callable[..., npt.NDArray[np.float64]], operands: tuple[Signal | float, ...]) -> None:
        signals = [operand for operand in operands if isinstance(operand, Signal)]
        first = signals[0]
        shifts = [_grid_shift(first, signal) for signal in signals]
        begin = max(0, *shifts)
        end = max(begin, min(shift + signal.length for shift, signal in zip(shifts, signals, strict=True)))
        super().__init__(
            interval=first.interval,
            start=first.start + begin * first.interval,
            length=end - begin,
            block_size=first.block_size,
        )
        if self.length == 0 and all(signal.length for signal in signals):
            raise NotMeasurable(
                "the channels have no time in common",
                expected=f"records that overlap; the first begins at {first.start:g} s and has {first.length} samples",
            )
        placed = iter([begin - shift for shift in shifts])
        self._operands = [(operand, next(placed) if isinstance(operand, Signal) else 0) for operand in operands]
        self._function = function

    @property
    def sources(self) -> tuple[Signal, ...]:
        """Its operands but the numbers."""
        return tuple(operand for operand, _ in self._operands if isinstance(operand, Signal))

    def compute(self, number: int) -> Floats:
        """The function of one block of each."""
        first, last = self.bounds(number)
        values = [
            operand.span(first + ahead, last + ahead) if isinstance(operand, Signal) else operand
            for operand, ahead in self._operands
        ]
        with np.errstate(all="ignore"):
            result = self._function(*values)
        return np.where(np.isfinite(result), result, np.nan)


def _grid_shift(first: Signal, other: Signal) -> int:
    """How many samples later `other` begins; both must tick together."""
    steps = (other.start - first.start) / first.interval
    longest = max(first.length, other.length, 1)
    if abs(other.interval / first.interval - 1) * longest > GRID or abs(steps - round(steps)) > GRID:
        raise NotMeasurable(
            f"samples every {first.interval:g} s from {first.start:g} s, and every {other.interval:g} s "
            f"from {other.start:g} s",
            expected="channels that are sampled at the same instants",
            do=f"bring one to the other's rate with `resample(…, {1 / first.interval:g} Hz)`",
        )
    return round(steps)
