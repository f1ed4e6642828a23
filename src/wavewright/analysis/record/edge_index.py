"""Outline: the few samples of a record in which its crossings lie, so that further levels are nearly free.

A record has few transitions and many samples. One level between the states is looked for in the whole record; the
outline keeps a segment of samples around each place where its side changes, and of the rest between two segments no
more than the smallest and the largest sample. A level that does not pass through a rest is crossed within the segments
only, and hysteresis that is left within a rest is left by its extremes: the crossings found are those of the whole
record, exactly. A level that does pass through a rest is looked for in the whole record.

Most levels are crossed once in each segment, from a rest that leaves the band of hysteresis to another that does. Such
crossings are found in all short segments at once (`whole_edges`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.record.crossings import Band, changes_of_side, find_crossings
from wavewright.analysis.record.found_once import computed_once
from wavewright.analysis.record.side_bits import Indices
from wavewright.analysis.record.whole_edges import SEGMENT, WholeEdges

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.analysis.record.histogram import Histogram
    from wavewright.waveform import Codes, Floats

REACHES = (SEGMENT // 2, 128)  # samples to either side of a change, tried in turn
SPARSE = 4  # an outline holds at most one in four samples
RESTS = 2  # the smallest and the largest
FEW = 64  # rests, up to which each is looked at by itself


@dataclass(frozen=True, eq=False)
class EdgeIndex:
    """Segments of equal length around all changes of side at a level, and what is known of the rests between them.

    A rest shares its first and last sample with the segments beside it, so that nothing changes between them.

    Parameters
    ----------
    record : codes of the whole record, shape (m,).
    level : in codes; no sample is at it.
    firsts : first samples of the segments, ascending, shape (n,).
    segments : their codes, shape (n, length).
    is_parted : every rest is on one side of the level: no further change of side comes soon after a segment.
    histogram : of the record, where it is known and has an entry for each code.
    """

    record: Codes
    level: float
    firsts: Indices
    segments: Codes
    is_parted: bool
    histogram: Histogram | None = None
    _clear: dict[float, bool] = field(default_factory=dict, init=False)
    _above: dict[int, int] = field(default_factory=dict, init=False)

    @computed_once
    def codes(self) -> Codes:
        """Smallest and largest code of the first rest, first segment, and so on; a rest at the end."""
        number = self.firsts.size
        kept = np.empty(number * self.pitch + RESTS, dtype=self.record.dtype)
        rows = kept[:-RESTS].reshape(number, self.pitch)
        rows[:, 0], rows[:, 1] = self.lowest[:-1], self.highest[:-1]
        rows[:, RESTS:] = self.segments
        kept[-RESTS:] = self.lowest[-1], self.highest[-1]
        return kept

    @property
    def pitch(self) -> int:
        """Distance of two segments in `codes`."""
        return int(self.segments.shape[1]) + RESTS

    @computed_once
    def shifts(self) -> Indices:
        """By how much the samples of each segment come later in the record than in `codes`, shape (n,)."""
        return self.firsts - (np.arange(self.firsts.size) * self.pitch + RESTS)

    @computed_once
    def is_high(self) -> npt.NDArray[np.bool_]:
        """Which rests are above the level, shape (n + 1,), if each is on one side of it."""
        return np.append(self.segments[:, 0], self.segments[-1, -1]) > self.level

    @computed_once
    def nearest(self) -> tuple[Codes, Codes]:
        """Lowest code of each rest above the level, and highest code of each rest below it."""
        return self._extremes(np.minimum, self.is_high), self._extremes(np.maximum, ~self.is_high)

    @computed_once
    def lowest(self) -> Codes:
        """Lowest code of each rest, shape (n + 1,)."""
        if not self.is_parted:
            return self._extremes(np.minimum)
        return self._merged(self.nearest[0], self._extremes(np.minimum, ~self.is_high))

    @computed_once
    def highest(self) -> Codes:
        """Highest code of each rest, shape (n + 1,)."""
        if not self.is_parted:
            return self._extremes(np.maximum)
        return self._merged(self._extremes(np.maximum, self.is_high), self.nearest[1])

    def _merged(self, of_high: Codes, of_low: Codes) -> Codes:
        both = np.empty(self.is_high.size, dtype=self.record.dtype)
        both[self.is_high], both[~self.is_high] = of_high, of_low
        return both

    def _extremes(self, extreme: np.ufunc, chosen: npt.NDArray[np.bool_] | None = None) -> Codes:
        """Of each of these rests, or of all; a reduction costs more for being called than for the samples between."""
        begins, ends = self._rests
        if chosen is not None:
            (which,) = chosen.nonzero()
            begins, ends = begins[which], ends[which]
        marks = np.stack([begins, ends], axis=1).ravel()
        if not marks.size:
            return np.empty(0, dtype=self.record.dtype)
        marks = marks[:-1] if marks[-1] == self.record.size else marks
        return np.asarray(extreme.reduceat(self.record, marks)[::2])

    @computed_once
    def _rests(self) -> tuple[Indices, Indices]:
        """First sample of each rest, and the sample after its last, shape (n + 1,) each."""
        begins = np.append(0, self.firsts + (self.segments.shape[1] - 1))
        return begins, np.append(self.firsts + 1, self.record.size)

    def holds(self, level: float) -> bool:
        """Whether all crossings of a level lie in the segments: no rest is on both sides of it, or touches it."""
        if self._is_clear(level):
            return True
        if self.record.dtype.kind in "iu" and math.isfinite(level):  # compared as whole numbers, which they are
            return bool(((self.lowest > math.floor(level)) | (self.highest < math.ceil(level))).all())
        return bool(((self.lowest > level) | (self.highest < level)).all())

    def _is_clear(self, level: float) -> bool:
        """Whether no rest has a sample between a level and that of the outline, or at the level."""
        if level not in self._clear:
            self._clear[level] = self._has_none_between(level)
        return self._clear[level]

    def _has_none_between(self, level: float) -> bool:
        if not self.is_parted:
            return False
        if self.histogram is None or not math.isfinite(level):
            above, below = self.nearest
            return not ((below >= level).any() or (above <= level).any())
        # whole numbers: as many of the record as of the segments, and none of these on an end, which is in a rest too
        low, high = sorted((math.floor(self.level), math.floor(level) if level > self.level else math.ceil(level) - 1))
        inside = [self._count_above(code) for code in (low, high)]
        if self.histogram.count_above(low) - self.histogram.count_above(high) != inside[0] - inside[1]:
            return False
        return not any(((ends > low) & (ends <= high)).any() for ends in self._ends)

    def _count_above(self, code: int) -> int:
        """How many samples of the segments have a larger code."""
        if code not in self._above:  # the code next to the level of the outline is asked for with every level
            self._above[code] = int(np.count_nonzero(self.segments > code))
        return self._above[code]

    def crossings(self, band: Band, *, level_occurs: bool) -> tuple[Floats, Floats]:
        """Places in the record of the upward and of the downward crossings of a level that the outline holds."""
        if self.segments.shape[1] == SEGMENT and self._is_clear(band.level) and self._all_leave(band):
            found = self._whole_edges.crossings(band, level_occurs=level_occurs)
            if found is not None:
                return found
        return find_crossings(self.codes, band, level_occurs=level_occurs, locate=self._locate)

    @computed_once
    def _whole_edges(self) -> WholeEdges:
        return WholeEdges(self.segments, self.is_high, self.firsts - self.shifts, self.shifts)

    def _all_leave(self, band: Band) -> bool:
        """Whether every rest has a sample outside the band."""
        begins, ends = self._rests
        leaves = np.zeros(self.is_high.size, dtype=np.bool_)
        first, last = self._ends
        leaves[:-1], leaves[-1] = band.is_outside(first), band.is_outside(self.record[-1:])[0]
        leaves[1:] |= band.is_outside(last)
        unclear = np.flatnonzero(~leaves)
        if unclear.size > FEW:
            return bool((band.is_outside(self.lowest) | band.is_outside(self.highest)).all())
        rests = (self.record[begins[one] : ends[one]] for one in unclear)
        return all(band.is_outside(np.array([rest.min(), rest.max()])).any() for rest in rests)

    @computed_once
    def _ends(self) -> tuple[Codes, Codes]:
        """First sample of each segment, and the last one."""
        return self.segments[:, 0].copy(), self.segments[:, -1].copy()

    def _locate(self, places: Floats) -> Floats:
        segment = (places / self.pitch).astype(np.int64)  # none is within a sample of the next segment
        return np.asarray(places + self.shifts[segment], dtype=np.float64)


def outlines(codes: Codes, level: float, histogram: Histogram | None = None) -> tuple[EdgeIndex, ...]:
    """Outlines of a record, the closest first; none where they would not be much smaller than the record itself.

    Parameters
    ----------
    codes : shape (n,), all finite.
    level : code, not rounded, that the record passes on every transition.
    histogram : of whole codes, where it is known and has an entry for each: saves looking through the rests.
    """
    most = codes.size // (SPARSE * (2 * REACHES[0] + RESTS))
    changes = changes_of_side(codes, level, most=most)
    if changes is None or not changes.size:
        return ()
    found = []
    apart = np.diff(changes)
    for reach in REACHES:
        length = 2 * reach
        is_first = np.append(True, apart >= length)
        if SPARSE * (length + RESTS) * np.count_nonzero(is_first) > codes.size:
            continue
        firsts = np.clip(changes[is_first] - (reach - 1), 0, codes.size - length)
        if not np.any(np.diff(firsts) < length):
            further = changes[~is_first]
            own = firsts[np.searchsorted(firsts, further, "right") - 1]
            is_parted = bool((further - own < length - 1).all())
            found.append(EdgeIndex(codes, level, firsts, _segments(codes, firsts, length), is_parted, histogram))
    return tuple(found)


def _segments(codes: Codes, firsts: Indices, length: int) -> Codes:
    """The samples from each of `firsts` on, shape (n, length)."""
    windows = np.lib.stride_tricks.sliding_window_view(codes, length)
    if not codes.flags.c_contiguous:
        return np.asarray(windows[firsts])
    # each segment is one item of this many bytes: copied at once and not sample by sample, eight times as fast
    items = windows.view(f"V{length * codes.itemsize}")[firsts, 0]
    return np.asarray(items.view(codes.dtype).reshape(-1, length))
