"""The last entry into a band: when a waveform with noise on it stays near its final value for good.

The last sample outside the band is not a measure of that: of thousands of samples some lie three standard deviations
out, long after what carries the noise has come to rest, and where the band is entered slowly even little noise shifts
the last one by much. So the samples are averaged over a centred window, which leaves straight lines where they are, and
the window is as wide as the noise asks for, but

- at most a tenth of the time that passes up to the entry, so that a decay is hardly bent by it, and
- no wider than leaves nothing but noise between samples and averages on the way to the entry, so that ringing is kept.

Without noise the window is one sample. The rule is ours: common practice, no source.

Segments of many transitions are examined together, one row each, and so are those of them whose windows and entries
are the same: a record has many transitions, and few ways to settle.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.record.blocks import BLOCK
from wavewright.analysis.record.found_once import computed_once
from wavewright.waveform import Floats

if TYPE_CHECKING:
    import numpy.typing as npt

WANTED = 30.0  # half the height of the band over the noise of an average
SHARE = 10.0  # of the time up to the entry, that a window covers one part of at most
MOST_LEFT = 1.5  # between samples and averages, over the noise
NOISY = 6.0  # averages scatter beyond the band by chance where half its height is less than this many deviations
ROUNDS = 6
TOGETHER = 1 << 18  # samples of segments that are examined together
PADDED = 1.25  # the longest segment over the shortest of those

Ints: TypeAlias = "npt.NDArray[np.int64]"
Flags: TypeAlias = "npt.NDArray[np.bool_]"


@dataclass(frozen=True, slots=True, eq=False)
class LastEntries:
    """Where segments enter a band for good, each array of shape (n,).

    Parameters
    ----------
    place : in samples from the first of the record, not rounded; −1 where no sample is outside, NaN where the segment
        is outside at its end. `uncertainty` : standard, in samples, by the noise.
    end : the sample after the last one inside: where the segment ends, or leaves the band for the next transition.
    is_noisy : averages may lie outside by chance.
    """

    place: Floats
    uncertainty: Floats
    end: Ints
    is_noisy: Flags


@dataclass(frozen=True, slots=True, eq=False)
class SettlingBand:
    """A band, and what it means for the averages.

    Parameters
    ----------
    low, high : its ends, in codes. `noise` : standard deviation of the samples, in codes.
    """

    low: float
    high: float
    noise: float

    @property
    def half(self) -> float:
        """Half the height."""
        return (self.high - self.low) / 2

    @property
    def wanted(self) -> float:
        """How wide the noise asks a window to be, in samples."""
        return float(square(WANTED * self.noise / self.half))


def find_last_entries(
    codes: npt.NDArray[Any], firsts: Ints, ends: Ints, band: SettlingBand, *, leaves: Flags
) -> LastEntries:
    """The last entries of many segments into a band.

    Parameters
    ----------
    codes : of the record. `firsts`, `ends` : first sample of each segment, and the one after its last; shape (n,).
    leaves : whether a segment may leave the band at its end, as where the next transition begins; shape (n,).
    """
    count = firsts.size
    found = LastEntries(
        np.full(count, np.nan), np.zeros(count), np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.bool_)
    )
    for chosen in _alike(ends - firsts):
        part = _Segments(codes, firsts[chosen], (ends - firsts)[chosen], band, leaves[chosen]).entries()
        found.place[chosen], found.uncertainty[chosen] = part.place, part.uncertainty
        found.end[chosen], found.is_noisy[chosen] = part.end, part.is_noisy
    return found


class _Segments:
    """Segments of about the same length, one row each; columns are counted from the first sample of each.

    One that is longer than a block is alone, so that no more than a block of it is averaged at once.
    """

    def __init__(self, codes: npt.NDArray[Any], firsts: Ints, sizes: Ints, band: SettlingBand, leaves: Flags) -> None:
        self._firsts, self._sizes, self._band, self._leaves = firsts, sizes, band, leaves
        self._shortest, self._longest = int(sizes.min()), int(sizes.max())
        if firsts.size == 1:
            self._codes = codes[firsts[0] : firsts[0] + self._longest][np.newaxis]
        else:  # what comes after the end of a shorter one has no part in anything
            self._codes = codes[np.minimum(firsts[:, np.newaxis] + np.arange(self._longest), codes.size - 1)]

    def entries(self) -> LastEntries:
        """Where each of them enters the band for good."""
        wanted = self._band.wanted
        window = _odd(np.minimum(wanted, self._sizes / SHARE))
        last, end = np.empty_like(window), np.empty_like(window)
        rows = np.arange(window.size)
        for _ in range(ROUNDS):
            self._look(rows, window, last, end)
            narrower = _odd(np.minimum(wanted, np.maximum(0, last[rows]) / SHARE))
            is_narrower = narrower < window[rows]
            rows = rows[is_narrower]
            if not rows.size:
                break
            window[rows] = narrower[is_narrower]
        rows = np.flatnonzero((window > 1) & (last >= 0))
        while rows.size:
            rows = self._bent(rows, window, last)
            window[rows] = _odd(window[rows] / 2)
            self._look(rows, window, last, end)
            rows = rows[(window[rows] > 1) & (last[rows] >= 0)]
        return self._located(window, last, end)

    def _look(self, rows: Ints, window: Ints, last: Ints, end: Ints) -> None:
        """Set, of these rows, the last average outside, and where the segment inside ends."""
        for group, (size,) in _groups(rows, window):
            if self._longest > BLOCK:
                end[group] = self._longest
                if self._leaves[0]:
                    end[group] = self._last_in_blocks(size, self._longest, outside=False) + 1
                last[group] = self._last_in_blocks(size, int(end[0]), outside=True)
                continue
            is_outside = self._is_outside(self._averages(group, 0, self._longest, size))
            columns = np.arange(self._longest)
            ends = self._sizes[group]
            inside = _last_true(~is_outside & (columns < ends[:, np.newaxis]))
            end[group] = ends = np.where(self._leaves[group], inside + 1, ends)
            last[group] = _last_true(is_outside & (columns < ends[:, np.newaxis]))

    def _last_in_blocks(self, window: int, before: int, *, outside: bool) -> int:
        """The last average outside the band, or inside it, of one long segment; −1 where there is none."""
        for end in range(before, 0, -BLOCK):
            begin = max(0, end - BLOCK)
            averages = self._averages(np.zeros(1, dtype=np.int64), begin, end, window)[0]
            found = np.flatnonzero(self._is_outside(averages) == outside)
            if found.size:
                return begin + int(found[-1])
        return -1

    def _is_outside(self, averages: Floats) -> Flags:
        outside: Flags = (averages < self._band.low) | (averages > self._band.high)
        return outside

    def _bent(self, rows: Ints, window: Ints, last: Ints) -> Ints:
        """Those of the rows whose windows take more than noise away, in the second half of the time to the entry."""
        bent = [rows[:0]]
        begin = np.maximum(last // 2, last - BLOCK)
        rows = rows[last[rows] - begin[rows] >= 2]
        for group, (size,) in _groups(rows, window):
            first, width = begin[group], last[group] - begin[group]
            columns = np.minimum(first[:, np.newaxis] + np.arange(int(width.max())), self._longest - 1)
            samples = self._codes[group[:, np.newaxis], columns].astype(np.float64)
            taken = samples - self._averages_from(group, first, int(width.max()), size)
            for alike, (count,) in _groups(np.arange(group.size), width):
                left = np.sqrt(np.mean(square(taken[alike, :count]), axis=1))
                bent.append(group[alike[left > MOST_LEFT * self._band.noise]])
        return np.sort(np.concatenate(bent))

    def _located(self, window: Ints, last: Ints, end: Ints) -> LastEntries:
        """The instants, where windows and last averages outside are known."""
        left = self._band.noise / np.sqrt(window)
        place, uncertainty = np.where(last < 0, -1.0, np.nan), np.zeros(last.size)
        place[last + 1 >= end] = np.nan
        rows = np.flatnonzero((last >= 0) & (last + 1 < end))
        # the slope there is that over a tenth of the time up to the entry, to either side
        reach = np.maximum(np.maximum(1, window), np.rint(last / SHARE).astype(np.int64))
        before, after = np.maximum(0, last - reach), np.minimum(self._sizes - 1, last + reach)
        for group, (size,) in _groups(rows, window):
            at, begin, finish = last[group], before[group], after[group]
            outside, inside = self._averages_from(group, at, 2, size).T
            edge = np.where(outside > self._band.high, self._band.high, self._band.low)
            place[group] = self._firsts[group] + at + (outside - edge) / (outside - inside)
            ends = [self._averages_from(group, column, 1, size)[:, 0] for column in (begin, finish)]
            slope = np.abs(ends[1] - ends[0]) / np.maximum(1, finish - begin)
            # a slope that is lost in the noise says no more than that it is not steeper
            steepness = np.maximum(slope, left[group] / self._sizes[group])
            instant = np.divide(left[group], steepness, out=np.zeros(group.size), where=left[group] > 0)
            # the last of several touches lies later than the true one by about as much again
            uncertainty[group] = math.sqrt(2) * instant
        return LastEntries(place, uncertainty, self._firsts + end, NOISY * left > self._band.half)

    def _averages(self, rows: Ints, begin: int, end: int, window: int) -> Floats:
        """Averages centred on the columns `begin` up to, and without, `end`; shorter at the ends of a segment."""
        if window == 1:
            part: Floats = self._codes[rows, begin:end].astype(np.float64)
            return part
        reach = window // 2
        head, tail = max(0, begin - reach), min(self._longest, end + reach)
        if head == 0 and self._longest <= BLOCK:
            start, sums = self._sums
            if rows.size < self._sizes.size:
                start, sums = start[rows], sums[rows]
        else:
            start, sums = self._summed(rows, head, tail)
        columns = np.arange(begin, end)
        left, right = np.maximum(columns - reach, head), np.minimum(columns + reach + 1, tail)
        size: Ints = right - left
        if tail > self._shortest:
            size = np.minimum(right, self._sizes[rows, np.newaxis]) - left
            size = np.maximum(size, 1)  # after the end of a shorter one, where nobody looks
        averages: Floats = sums.take(right - head, axis=1)
        averages -= sums.take(left - head, axis=1)
        averages /= size
        averages += start
        return averages

    def _averages_from(self, rows: Ints, begin: Ints, count: int, window: int) -> Floats:
        """As `_averages`, of `count` columns from one of each row's own; beyond the end they mean nothing."""
        columns = begin[:, np.newaxis] + np.arange(count)
        if window == 1:
            part: Floats = self._codes[rows[:, np.newaxis], np.minimum(columns, self._longest - 1)].astype(np.float64)
            return part
        reach, ends = window // 2, self._sizes[rows, np.newaxis]
        head = np.maximum(0, begin - reach)[:, np.newaxis]
        summed = head + np.arange(count + 2 * reach)
        part = self._codes[rows[:, np.newaxis], np.minimum(summed, self._longest - 1)].astype(np.float64)
        start = part[:, :1].copy()
        part -= start
        part[summed >= ends] = 0.0
        sums = np.zeros((rows.size, part.shape[1] + 1))
        np.cumsum(part, axis=1, out=sums[:, 1:])
        left, right = np.maximum(columns - reach, 0), np.minimum(columns + reach + 1, self._longest)
        size = np.maximum(np.minimum(right, ends) - left, 1)
        totals = np.take_along_axis(sums, right - head, axis=1) - np.take_along_axis(sums, left - head, axis=1)
        averages: Floats = start + totals / size
        return averages

    @computed_once
    def _sums(self) -> tuple[Floats, Floats]:
        return self._summed(np.arange(self._sizes.size), 0, self._longest)

    def _summed(self, rows: Ints, head: int, tail: int) -> tuple[Floats, Floats]:
        """The sample at `head`, and running sums of the differences from it; constant after the end of a segment."""
        part = self._codes[rows, head:tail].astype(np.float64)
        start = part[:, :1].copy()
        part -= start
        if tail > self._shortest:
            part[np.arange(head, tail) >= self._sizes[rows, np.newaxis]] = 0.0
        sums = np.zeros((rows.size, tail - head + 1))
        np.cumsum(part, axis=1, out=sums[:, 1:])
        return start, sums


def _alike(sizes: Ints) -> Iterator[Ints]:
    """Which segments are examined together: of about the same length, and not too many; empty ones not at all."""
    order = np.argsort(sizes, kind="stable")
    order = order[sizes[order] > 0]
    size = sizes[order]
    begin = 0
    while begin < order.size:
        some = size[begin : begin + 1 + TOGETHER // int(size[begin])]
        alike = np.searchsorted(some, min(BLOCK, PADDED * some[0]), side="right")
        few = np.searchsorted(some * np.arange(1, some.size + 1), TOGETHER, side="right")
        end = begin + max(1, int(min(alike, few)))
        yield order[begin:end]
        begin = end


def _groups(rows: Ints, *keys: Ints) -> Iterator[tuple[Ints, tuple[int, ...]]]:
    """Those of the rows that have all keys in common, with these."""
    if not rows.size:
        return
    table = np.stack([key[rows] for key in keys])
    order = np.lexsort(table)
    table = table[:, order]
    starts = np.flatnonzero(np.concatenate([[True], (table[:, 1:] != table[:, :-1]).any(axis=0)]))
    for group, start in zip(np.split(rows[order], starts[1:]), starts, strict=True):
        yield group, tuple(table[:, start].tolist())


def _last_true(flags: Flags) -> Ints:
    """The column of the last that is true in each row; −1 where none is."""
    last = flags.shape[1] - 1 - np.argmax(flags[:, ::-1], axis=1)
    return np.where(flags.any(axis=1), last, -1)


def _odd(size: Floats) -> Ints:
    return np.where(size >= 1, 2 * (size.astype(np.int64) // 2) + 1, 1)
