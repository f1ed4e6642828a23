"""Whole edges: crossings of a level in short segments, where the record leaves the band of hysteresis between them.

Then each segment is a matter of its own: a crossing is in it if the rests before and after it are on different sides of
the level, and it lies midway between the first and the last touch, provided that no sample between these touches leaves
the band. The sides of the 32 samples of a segment are the bits of one word, so that all segments are looked at in a few
steps; the places are those that the comparator finds, to the last bit.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.record.side_bits import Indices, highest_bit, lowest_bit

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.analysis.record.crossings import Band
    from wavewright.waveform import Codes, Floats

SEGMENT = 32  # samples
WORDS = "<u4"
BEFORE_LAST = (1 << (SEGMENT - 1)) - 1  # the last sample has no next one to differ from


class WholeEdges:
    """Segments of 32 samples and the sides of the rests between them.

    Parameters
    ----------
    segments : codes, shape (n, 32).
    is_high : which rests before, between and after the segments are above the levels asked for, shape (n + 1,). The
        first and last sample of a segment belong to the rests beside it.
    starts : of the segments in the outline, shape (n,). Places there are rounded before they are moved.
    shifts : from the outline to the record, shape (n,).
    """

    def __init__(self, segments: Codes, is_high: npt.NDArray[np.bool_], starts: Indices, shifts: Indices) -> None:
        self._segments = segments
        self._codes = segments.ravel()
        self._firsts = np.arange(0, segments.size, SEGMENT)
        self._starts, self._shifts = starts.astype(np.float64), shifts.astype(np.float64)  # whole numbers still
        self._starts_high = bool(is_high[0])
        is_crossing = is_high[1:] != is_high[:-1]
        self._is_crossing = None if is_crossing.all() else is_crossing

    def crossings(self, band: Band, *, level_occurs: bool) -> tuple[Floats, Floats] | None:
        """Places in the record of the upward and of the downward crossings; None if a segment leaves the band within.

        Parameters
        ----------
        band : that each rest has a sample outside of. None has a sample at the level.
        level_occurs : False where it is known that no sample is exactly at the level: saves a comparison.
        """
        is_whole = self._codes.dtype.kind in "iu"
        level: float = math.floor(band.level) if is_whole else band.level
        changes = _turns(self._codes > level)
        unclear = changes & (changes - 1)
        if level_occurs and (not is_whole or level == band.level):
            others = _turns(self._codes >= level)
            unclear |= others & (others - 1)  # samples between one change of each are at the level
            changes |= others
        is_unclear = unclear != 0
        (rows,) = is_unclear.nonzero()
        if rows.size and not _stay_inside(self._segments[rows], changes[rows], band):
            return None
        found = self._crossed(changes, is_unclear, band.level)
        one, other = found[0::2].copy(), found[1::2].copy()  # upward and downward crossings alternate
        return (other, one) if self._starts_high else (one, other)

    def _crossed(self, changes: npt.NDArray[np.uint32], is_unclear: npt.NDArray[np.bool_], level: float) -> Floats:
        """The crossings, each midway between the first and the last touch in its segment."""
        rows: Indices | slice = slice(None)
        if self._is_crossing is not None:
            rows = np.flatnonzero(self._is_crossing)
            changes, is_unclear = changes[rows], is_unclear[rows]
        found = self._touches(rows, lowest_bit(changes), level)
        later = changes & (changes - 1)
        # two changes in a row, and nothing unclear: both touches are at the sample between them
        is_apart = ((changes ^ later) << 1 != later) | is_unclear
        is_apart &= later != 0
        (order,) = is_apart.nonzero()
        if order.size:
            others = order if isinstance(rows, slice) else rows[order]
            found[order] = (found[order] + self._touches(others, highest_bit(changes[order]), level)) / 2
        return found

    def _touches(self, rows: Indices | slice, columns: npt.NDArray[np.uint8], level: float) -> Floats:
        """Where the straight line from these samples of some segments to the next ones meets the level."""
        samples = columns.astype(np.int64)
        samples += self._firsts[rows]
        near = self._codes.take(samples).astype(np.float64)
        near -= level
        far = self._codes[1:].take(samples).astype(np.float64)
        far -= level
        np.subtract(near, far, out=far)
        np.divide(near, far, out=near)
        places = columns.astype(np.float64)
        places += self._starts[rows]
        places += near
        places += self._shifts[rows]
        return places


def _turns(flags: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint32]:
    sides = _packed(flags)
    after = sides >> np.uint32(1)
    after ^= sides
    after &= BEFORE_LAST
    return after


def _packed(flags: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint32]:
    """The flags of one segment after the other as the bits of words; the first is the lowest."""
    return np.packbits(flags, bitorder="little").view(WORDS)


def _stay_inside(segments: Codes, changes: npt.NDArray[np.uint32], band: Band) -> bool:
    """Whether no sample between the first and the last change of a segment is outside the band."""
    upto, below = (np.uint32(2) << place(changes).astype(np.uint32) for place in (highest_bit, lowest_bit))
    return not (_packed(band.is_outside(segments).ravel()) & (upto - below)).any()
