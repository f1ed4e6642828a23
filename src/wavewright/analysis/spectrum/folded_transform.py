"""The transform of a long record, exact, without a float copy of it: the record is folded, a few lines at a time.

Of a record of n samples laid in K rows of M, the lines r, r + K, r + 2K, … are the transform of one row: the sum of all
rows, each turned by r/K of a turn more than the one above it, and turned back along the row (decimation in frequency,
math). So all lines are those of one transform of the whole record, to the rounding of single precision: nothing is
averaged, and the resolution is that of the whole record.

Memory, for codes of 16 bits or fewer: 2 bytes per sample for the magnitudes, about 1.5 for the rows that are worked
on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.analysis.elementary.turns import cosine_and_sine
from wavewright.analysis.record.blocks import TABLES_BLOCK, spans

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.analysis.spectrum.windows import Window
    from wavewright.waveform import Codes, Floats

FOLDS = (32, *range(31, 15, -1), *range(33, 65))  # numbers of rows, the best first
PORTIONS = 4  # of the rows, and so passes over the record: more of them need less memory
COLUMNS = 2048  # that are worked on together: as floats, all their rows stay in the cache


def folds_of(size: int) -> int | None:
    """Into how many rows a record of that many samples can be laid; None where no number from 16 to 64 divides it."""
    return next((folds for folds in FOLDS if size % folds == 0), None)


def folded_magnitudes(codes: Codes, mean: float, window: Window, folds: int) -> npt.NDArray[Any]:
    """Magnitudes of the lines of codes less their mean, weighted; shape (n // 2 + 1,), in single precision if that
    holds the codes.

    Parameters
    ----------
    folds : number of rows, see `folds_of`.
    """
    from scipy.fft import fft

    is_short = codes.dtype.itemsize <= 2 or codes.dtype == np.float32
    working = np.float32 if is_short else np.float64
    rows = codes.reshape(folds, -1)
    found = np.empty(codes.size // 2 + 1, dtype=working)
    count = folds // 2 + 1  # the others mirror these
    kind = np.complex64 if is_short else np.complex128
    space = np.empty((-(-count // PORTIONS), rows.shape[1]), dtype=kind)  # the same for all portions
    for numbers in np.array_split(np.arange(count), PORTIONS):
        folded = space[: numbers.size]
        _fold(rows, mean, window, numbers, folded)
        for number, row in zip(numbers.tolist(), folded, strict=True):
            lines = _magnitudes(fft(row, overwrite_x=True))
            place = found[number::folds]
            place[...] = lines[: place.size]
            if 0 < number < folds - number:
                place = found[folds - number :: folds]
                place[...] = lines[::-1][: place.size]
    return found


def _fold(rows: Codes, mean: float, window: Window, numbers: npt.NDArray[np.int64], folded: npt.NDArray[Any]) -> None:
    """Some rows of the folded record: weighted, summed over the rows and turned back along them."""
    from scipy.fft import rfft

    folds, width = rows.shape
    working = folded.real.dtype
    size = folds * width
    row_cosines, row_sines = (table[:, None].astype(working) for table in cosine_and_sine(np.arange(folds) / folds))
    columns = np.arange(min(COLUMNS, width))
    table = cosine_and_sine(columns / size)
    turns = cosine_and_sine(numbers[:, None] * columns / size)
    for first, last in spans(0, width, COLUMNS):
        count = last - first
        values = rows[:, first:last].astype(working)
        values -= working.type(mean)
        if len(window.terms) > 1:
            cosines, sines = _turned(table, cosine_and_sine(first / size), count)
            weights = row_cosines * cosines.astype(working)
            weights -= row_sines * sines.astype(working)
            values *= window.weights_at(weights)
        lines = rfft(values, axis=0, overwrite_x=True)[numbers]
        starts = cosine_and_sine((numbers * first % size / size)[:, None])
        cosines, sines = (each.astype(working) for each in _turned(turns, starts, count))
        part = folded[:, first:last]
        part.real = lines.real * cosines + lines.imag * sines
        part.imag = lines.imag * cosines - lines.real * sines


def _turned(table: tuple[Floats, Floats], by: tuple[Floats, Floats], count: int) -> tuple[Floats, Floats]:
    """Cosines and sines of a table of angles, the first `count` of them, each further by one angle."""
    cosines, sines = (each[..., :count] for each in table)
    return cosines * by[0] - sines * by[1], sines * by[0] + cosines * by[1]


def _magnitudes(lines: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """As `spectrum.magnitudes`."""
    found = np.empty(lines.size, dtype=lines.real.dtype)
    for first, last in spans(0, lines.size, TABLES_BLOCK):
        part = lines[first:last]
        found[first:last] = np.sqrt(np.square(part.real, dtype=np.float64) + np.square(part.imag, dtype=np.float64))
    return found
