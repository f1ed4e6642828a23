"""Outline: the few samples of a record in which its crossings lie, so that further levels are nearly free.

A record has few transitions and many samples. One level between the states is looked for in the whole record; the
outline keeps a segment of samples around each place where its side changes, and of the rest between two segments no
more than the smallest and the largest sample. A level that does not pass through a rest is crossed within the segments
only, and hysteresis that is left within a rest is left by its extremes: the crossings found are those of the whole
record, exactly. A level that does pass through a rest is looked for in the whole record.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.record.crossings import Band, Indices, changes_of_side, find_crossings

if TYPE_CHECKING:
    from wavewright.waveform import Codes, Floats

REACHES = (16, 128)  # samples to either side of a change, tried in turn
SPARSE = 4  # an outline holds at most one in four samples
RESTS = 2  # the smallest and the largest


@dataclass(frozen=True, slots=True, eq=False)
class EdgeIndex:
    """Segments of equal length, each after the extremes of the rest before it.

    Parameters
    ----------
    codes : shape (n · (2 + length) + 2,): smallest and largest code of the rest, segment, and so on; a rest at the end.
    shifts : by how much the samples of each segment come later in the record than in `codes`, shape (n,).
    lowest, highest : extremes of the rests, the neighbouring samples of the segments included, shape (n + 1,).
    """

    codes: Codes
    shifts: Indices
    lowest: Codes
    highest: Codes

    @property
    def pitch(self) -> int:
        """Distance of two segments in `codes`."""
        return (self.codes.size - RESTS) // self.shifts.size

    def holds(self, level: float) -> bool:
        """Whether all crossings of a level lie in the segments: no rest is on both sides of it, or touches it."""
        if self.codes.dtype.kind in "iu" and math.isfinite(level):  # compared as whole numbers, which they are
            return bool(((self.lowest > math.floor(level)) | (self.highest < math.ceil(level))).all())
        return bool(((self.lowest > level) | (self.highest < level)).all())

    def crossings(self, band: Band, *, level_occurs: bool) -> tuple[Floats, Floats]:
        """Places in the record of the upward and of the downward crossings of a level that the outline holds."""
        return find_crossings(self.codes, band, level_occurs=level_occurs, locate=self._locate)

    def _locate(self, places: Floats) -> Floats:
        segment = (places / self.pitch).astype(np.int64)  # none is within a sample of the next segment
        return np.asarray(places + self.shifts[segment], dtype=np.float64)


def outlines(codes: Codes, level: float) -> tuple[EdgeIndex, ...]:
    """Outlines of a record, the closest first; none where they would not be much smaller than the record itself.

    Parameters
    ----------
    codes : shape (n,), all finite.
    level : code, not rounded, that the record passes on every transition.
    """
    most = codes.size // (SPARSE * (2 * REACHES[0] + RESTS))
    changes = changes_of_side(codes, level, most=most)
    if changes is None or not changes.size:
        return ()
    found = []
    for reach in REACHES:
        length = 2 * reach
        firsts = changes[np.append(True, np.diff(changes) >= length)] - (reach - 1)
        firsts = np.clip(firsts, 0, codes.size - length)
        is_sparse = SPARSE * (length + RESTS) * firsts.size <= codes.size
        if is_sparse and not np.any(np.diff(firsts) < length):
            found.append(_outline(codes, firsts, length))
    return tuple(found)


def _outline(codes: Codes, firsts: Indices, length: int) -> EdgeIndex:
    # a rest shares its first and last sample with the segments beside it, so that nothing changes between them
    begins, ends = np.append(0, firsts + length - 1), np.append(firsts + 1, codes.size)
    marks = np.stack([begins, ends], axis=1).ravel()[:-1]
    lowest, highest = (extreme.reduceat(codes, marks)[::2] for extreme in (np.minimum, np.maximum))
    kept = np.empty(firsts.size * (length + RESTS) + RESTS, dtype=codes.dtype)
    rows = kept[:-RESTS].reshape(firsts.size, length + RESTS)
    rows[:, 0], rows[:, 1] = lowest[:-1], highest[:-1]
    rows[:, RESTS:] = _segments(codes, firsts, length)
    kept[-RESTS:] = lowest[-1], highest[-1]
    shifts = firsts - (np.arange(firsts.size) * (length + RESTS) + RESTS)
    return EdgeIndex(kept, shifts, lowest, highest)


def _segments(codes: Codes, firsts: Indices, length: int) -> Codes:
    """The samples from each of `firsts` on, shape (n, length)."""
    windows = np.lib.stride_tricks.sliding_window_view(codes, length)
    if not codes.flags.c_contiguous:
        return np.asarray(windows[firsts])
    # each segment is one item of this many bytes: copied at once and not sample by sample, eight times as fast
    items = windows.view(f"V{length * codes.itemsize}")[firsts, 0]
    return np.asarray(items.view(codes.dtype).reshape(-1, length))
