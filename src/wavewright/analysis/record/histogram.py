"""Code histograms: how often each code occurs, from which the vertical metrics follow exactly."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.record.blocks import CODES_BLOCK, blocks
from wavewright.waveform import Codes

if TYPE_CHECKING:
    import numpy.typing as npt

WIDEST_TABLE = 1 << 20  # integer codes that span no more are counted one by one
SHORT = 1 << 15  # records up to this length are not worth a table of all 16-bit codes
FEW_FLOATS = 1 << 16  # records of floats up to this length are counted one by one
FLOAT_BINS = 4096  # a multiple of the bins of the mode, so that both bin alike


@dataclass(frozen=True, slots=True, eq=False)
class Histogram:
    """Codes in ascending order and how many samples have each; samples that are not finite are in none.

    Parameters
    ----------
    codes : shape (m,), strictly ascending.
    counts : shape (m,), int64, all > 0.
    is_exact : True where every distinct code has its own entry: always for integers that span at most 2²⁰ codes, and
        for records of at most 65536 floats. Else an entry stands for one of 4096 equal bins between the extremes, by
        the mean of the samples in it.
    """

    codes: npt.NDArray[np.float64]
    counts: npt.NDArray[np.int64]
    is_exact: bool = True

    @property
    def total(self) -> int:
        """Number of samples counted."""
        return int(self.counts.sum())

    @property
    def extremes(self) -> tuple[float, float]:
        """Lowest and highest code; of bins, their means."""
        return float(self.codes[0]), float(self.codes[-1])

    @property
    def bin_width(self) -> float:
        """Width of the range that an entry stands for, in codes: 0 where each is one code."""
        return 0.0 if self.is_exact else float(self.codes[-1] - self.codes[0]) / FLOAT_BINS

    def count_of(self, code: float) -> int:
        """How many samples have this code."""
        place = int(np.searchsorted(self.codes, code))
        return int(self.counts[place]) if place < self.codes.size and self.codes[place] == code else 0

    def count_above(self, code: float) -> int:
        """How many samples have a larger code than this."""
        return int(self.counts[int(np.searchsorted(self.codes, code, "right")) :].sum())


def histogram_of(codes: Codes) -> Histogram:
    """Count the codes of a record.

    Parameters
    ----------
    codes : shape (n,), integers or floats. Read block by block: the working memory does not grow with n,
        except for short records of floats and for integers that span more than 2²⁰ codes.
    """
    if not codes.size:
        return Histogram(np.empty(0), np.empty(0, dtype=np.int64))
    if codes.dtype.kind == "f":
        return _of_floats(codes)
    if codes.dtype.itemsize <= 2 and codes.size > SHORT:
        return _from_table(*_narrow_table(codes))
    lowest, highest = int(codes.min()), int(codes.max())
    if highest - lowest < WIDEST_TABLE:
        return _from_table(_offset_table(codes, lowest, highest), lowest)
    return _of_bins(codes, float(lowest), float(highest))


def counted_one_by_one(codes: Codes) -> Histogram:
    """The same with an entry for every distinct code, whatever memory that takes: up to three times the record's."""
    found = histogram_of(codes)
    if found.is_exact:
        return found
    distinct, counts = np.unique(finite_values(codes), return_counts=True)
    return Histogram(distinct, counts.astype(np.int64))


def _narrow_table(codes: Codes) -> tuple[npt.NDArray[np.int64], int]:
    """Counts of 8- and 16-bit codes, one entry per code, and the code of the first entry."""
    bits = 8 * codes.dtype.itemsize
    unsigned = np.dtype(f"u{codes.dtype.itemsize}")
    table = np.zeros(1 << 16, dtype=np.int64)
    places = np.empty(min(CODES_BLOCK, codes.size), dtype=np.intp)
    for block in blocks(codes, CODES_BLOCK * 2 if bits == 8 else CODES_BLOCK):
        native = np.ascontiguousarray(block, dtype=codes.dtype.newbyteorder("=")).view(unsigned)
        # two neighbouring 8-bit codes are counted as one 16-bit number: half as many to count, folded below
        pairs = native[: native.size & ~1].view(np.uint16) if bits == 8 else native
        here = places[: pairs.size]
        here[:] = pairs
        np.add.at(table, here, 1)  # in three quarters of the time of `bincount`, which looks for the largest first
    if bits == 8:
        square = table.reshape(256, 256)
        table = square.sum(axis=0) + square.sum(axis=1)
        if codes.size & 1:
            table[int(codes[-1]) & 0xFF] += 1
    if codes.dtype.kind == "u":
        return table, 0
    return np.roll(table, table.size // 2), -(table.size // 2)


def _offset_table(codes: Codes, lowest: int, highest: int) -> npt.NDArray[np.int64]:
    """Counts of integers that span few codes, one entry per code from the lowest on."""
    table = np.zeros(highest - lowest + 1, dtype=np.int64)
    for block in blocks(codes):
        counts = np.bincount(block.astype(np.int64) - lowest)
        table[: counts.size] += counts
    return table


def _from_table(table: npt.NDArray[np.int64], first_code: int) -> Histogram:
    present = np.flatnonzero(table)
    return Histogram((present + first_code).astype(np.float64), table[present])


def _of_floats(codes: Codes) -> Histogram:
    if codes.size <= FEW_FLOATS:
        distinct, counts = np.unique(codes[np.isfinite(codes)].astype(np.float64), return_counts=True)
        return Histogram(distinct, counts.astype(np.int64))
    lowest, highest = float_extremes(codes)
    if not lowest < highest:
        count = sum(int(np.isfinite(block).sum()) for block in blocks(codes))
        return Histogram(np.array([lowest] if count else []), np.array([count] if count else [], dtype=np.int64))
    return _of_bins(codes, lowest, highest)


def finite_values(block: Codes) -> npt.NDArray[np.float64]:
    """The samples of a block that are finite, as float64; a copy, also where that is what they are."""
    values = block.astype(np.float64)
    is_finite = np.isfinite(values)
    return values if is_finite.all() else values[is_finite]


def float_extremes(codes: Codes) -> tuple[float, float]:
    """Lowest and highest finite sample; (inf, −inf) where there is none."""
    lowest, highest = np.inf, -np.inf
    for block in blocks(codes):
        low, high = float(block.min()), float(block.max())
        if not (np.isfinite(low) and np.isfinite(high)):
            finite = block[np.isfinite(block)]
            if not finite.size:
                continue
            low, high = float(finite.min()), float(finite.max())
        lowest, highest = min(lowest, low), max(highest, high)
    return lowest, highest


def _of_bins(codes: Codes, lowest: float, highest: float) -> Histogram:
    """Equal bins between the extremes, each entered by the mean of its samples."""
    counts, sums = np.zeros(FLOAT_BINS, dtype=np.int64), np.zeros(FLOAT_BINS)
    scale = FLOAT_BINS / (highest - lowest)
    for block in blocks(codes):
        above = finite_values(block) - lowest
        bins = np.minimum((above * scale).astype(np.int64), FLOAT_BINS - 1)
        counts += np.bincount(bins, minlength=FLOAT_BINS)
        sums += np.bincount(bins, weights=above, minlength=FLOAT_BINS)
    present = np.flatnonzero(counts)
    return Histogram(lowest + sums[present] / counts[present], counts[present], is_exact=False)
