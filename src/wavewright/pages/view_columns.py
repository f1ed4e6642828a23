"""The part of a record that a page shows, one column per pixel: lowest, highest and middle of all samples in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wavewright.waveform import Waveform

Floats32 = npt.NDArray[np.float32]
DENSE = 16  # samples per column; from here on the middle says where most of them are


@dataclass(frozen=True, slots=True, eq=False)
class ViewColumns:
    """Columns of one trace, each array of shape (columns,), in the waveform's unit; NaN where there is no sample.

    `middle` : the mean of the samples; None where there are few in a column.
    """

    low: Floats32
    high: Floats32
    middle: Floats32 | None

    def as_bytes(self) -> bytes:
        """`low`, `high`, and `middle` if there is one, float32, little endian."""
        parts = [self.low, self.high, *([] if self.middle is None else [self.middle])]
        return b"".join(part.astype("<f4").tobytes() for part in parts)


@dataclass(frozen=True, slots=True)
class View:
    """What a page shows of a record: begin and length, s, and how many pixels wide."""

    start: float
    span: float
    columns: int


def view_columns(wave: Waveform, view: View) -> ViewColumns:
    """Lowest, highest and mean sample of each column of a view.

    One pass over the codes inside the view; only the extremes become numbers of the waveform's unit. Each sample is in
    one column, and NaN in none. A column without a sample is NaN.

    Examples
    --------
    >>> wave = Waveform(np.array([0, 9, 0, 0], dtype=np.int8), interval=1.0)
    >>> view_columns(wave, View(start=0.0, span=4.0, columns=2)).high.tolist()
    [9.0, 0.0]
    """
    edges = _edges(wave, view)
    first, last = int(edges[0]), int(edges[-1])
    empty = np.full(view.columns, np.nan, dtype=np.float32)
    if last <= first:
        return ViewColumns(empty, empty.copy(), None)
    codes = wave.codes[first:last]
    begins, counts = edges[:-1] - first, np.diff(edges)
    filled = counts > 0
    starts = begins[filled]
    least_of, most_of = (np.fmin, np.fmax) if codes.dtype.kind == "f" else (np.minimum, np.maximum)
    least, most = least_of.reduceat(codes, starts), most_of.reduceat(codes, starts)
    if wave.gain < 0:
        least, most = most, least
    middle = None
    if codes.size >= DENSE * starts.size:
        with np.errstate(invalid="ignore"):
            sums = np.add.reduceat(codes, starts, dtype=np.float64 if codes.dtype.kind == "f" else np.int64)
        middle = _placed(sums / counts[filled], filled, wave)
    return ViewColumns(_placed(least, filled, wave), _placed(most, filled, wave), middle)


def whole_view(waves: list[Waveform], columns: int) -> View:
    """The view that shows all samples of all waveforms."""
    start = min(wave.start for wave in waves)
    end = max(wave.start + wave.duration for wave in waves)
    return View(start, max(end - start, 1e-15), columns)


def _edges(wave: Waveform, view: View) -> npt.NDArray[np.int64]:
    """Index of the first sample of each column and, last, of the one after the view; shape (columns + 1,).

    A sample that lies on the border of two columns, but for rounding, belongs to the later one.
    """
    steps = np.arange(view.columns + 1, dtype=np.float64)
    places = ((view.start - wave.start) + view.span / view.columns * steps) / wave.interval
    rounded = np.rint(places)
    exact = np.abs(places - rounded) < 1e-6 * np.maximum(1.0, 1e-6 * np.abs(places))
    return np.clip(np.where(exact, rounded, np.ceil(places)), 0, len(wave)).astype(np.int64)


def _placed(codes: npt.NDArray[np.generic], filled: npt.NDArray[np.bool_], wave: Waveform) -> Floats32:
    found = np.full(filled.size, np.nan, dtype=np.float32)
    found[filled] = wave.offset + wave.gain * codes.astype(np.float64)
    return found
