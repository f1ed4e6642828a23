"""The grid of a density, and which of its cells the samples of one shot fall into."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from wavewright.analysis.record.blocks import CODES_BLOCK, spans
from wavewright.errors import Misuse
from wavewright.waveform import Codes, Waveform

if TYPE_CHECKING:
    import numpy.typing as npt

Counts: TypeAlias = "npt.NDArray[np.int64]"
BELOW, ABOVE, INVALID = -1, -2, -3  # in place of a row


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Samples that fell on no cell, so that none is lost unnoticed."""

    before: int = 0
    after: int = 0
    below: int = 0
    above: int = 0
    invalid: int = 0

    @property
    def total(self) -> int:
        """All of them."""
        return self.before + self.after + self.below + self.above + self.invalid

    def __add__(self, other: LeftOut) -> LeftOut:
        return LeftOut(
            self.before + other.before,
            self.after + other.after,
            self.below + other.below,
            self.above + other.above,
            self.invalid + other.invalid,
        )


@dataclass(frozen=True, slots=True)
class ShotCells:
    """Where the samples of one shot fell.

    Parameters
    ----------
    cells : numbers of the cells that it visited, ascending, shape (n,); column by column from the first, row by row.
    counts : its samples in each of them, shape (n,).
    samples : all that it has; left_out : those on no cell.
    unit : of its levels.
    """

    cells: Counts
    counts: Counts
    samples: int
    left_out: LeftOut
    unit: str


class DensityGrid:
    """Cells over time and level.

    A cell holds times from its left edge up to, and without, its right one, and levels likewise; only the last
    column and the highest row hold their outer edge too.

    Parameters
    ----------
    columns, rows : cells across time and up the levels, at least 1.
    window : first and last time, s.
    levels : lowest and highest level, in the waveforms' unit.
    """

    def __init__(self, *, columns: int, rows: int, window: tuple[float, float], levels: tuple[float, float]) -> None:
        if columns < 1 or rows < 1 or columns * rows > 2**26:
            raise Misuse(f"a density of {columns} × {rows} cells", expected="1 × 1 up to 64 million cells")
        for name, (low, high) in (("window", window), ("levels", levels)):
            if not (math.isfinite(low) and math.isfinite(high) and low < high):
                raise Misuse(f"`{name}` is {low:g} .. {high:g}", expected="two finite numbers, the lower one first")
        self.columns, self.rows, self.window, self.levels = columns, rows, window, levels
        self._flat = np.zeros(columns * rows, dtype=np.int64)  # column by column: a shot writes to neighbours
        self._is_visited = np.zeros(columns * rows, dtype=bool)
        self._tables: dict[tuple[object, ...], npt.NDArray[np.int64]] = {}

    def seen(self, wave: Waveform) -> ShotCells:
        """The cells that a shot visits, and how many of its samples fall into each."""
        first, last = self._inside(wave)
        beyond = dict.fromkeys((BELOW, ABOVE, INVALID), 0)
        for begin, end in spans(first, last, CODES_BLOCK):
            rows = self._rows_of(wave, wave.codes[begin:end])
            cells = self._columns_of(wave, begin, end) + rows
            if rows.size and rows.min() < 0:
                for place in beyond:
                    beyond[place] += int(np.count_nonzero(rows == place))
                cells = cells[rows >= 0]
            if cells.size < self._flat.size // 4:
                np.add.at(self._flat, cells, 1)
            else:
                self._flat += np.bincount(cells, minlength=self._flat.size)
            self._is_visited[cells] = True
        visited = np.flatnonzero(self._is_visited)
        counts = self._flat[visited]
        self._flat[visited], self._is_visited[visited] = 0, False
        left = LeftOut(first, len(wave) - last, *beyond.values())
        return ShotCells(visited, counts, len(wave), left, wave.unit)

    def _inside(self, wave: Waveform) -> tuple[int, int]:
        """First sample in the window, and the one after the last."""
        first = min(max(math.ceil((self.window[0] - wave.start) / wave.interval - 1e-9), 0), len(wave))
        last = min(max(math.floor((self.window[1] - wave.start) / wave.interval + 1e-9) + 1, first), len(wave))
        return first, last

    def _columns_of(self, wave: Waveform, first: int, last: int) -> Counts:
        """Number of the lowest cell in the column of each sample; the same for shots on the same time axis."""
        key = ("columns", wave.start, wave.interval, first, last)
        if key not in self._tables:
            times = wave.start + wave.interval * np.arange(first, last)
            columns = np.floor((times - self.window[0]) / (self.window[1] - self.window[0]) * self.columns + 1e-9)
            self._keep(key, np.clip(columns, 0, self.columns - 1).astype(np.int64) * self.rows)
        return self._tables[key]

    def _rows_of(self, wave: Waveform, codes: Codes) -> Counts:
        """The row of each sample, or one of the three places outside."""
        if codes.dtype.kind == "f" or codes.dtype.itemsize > 2:
            return self._row(wave.offset + wave.gain * codes.astype(np.float64))
        key = ("rows", wave.gain, wave.offset, codes.dtype.str)
        if key not in self._tables:
            unsigned = np.arange(256**codes.dtype.itemsize, dtype=codes.dtype.str.replace("i", "u"))
            self._keep(key, self._row(wave.offset + wave.gain * unsigned.view(codes.dtype).astype(np.float64)))
        rows: Counts = self._tables[key][codes.view(codes.dtype.str.replace("i", "u"))]
        return rows

    def _row(self, values: npt.NDArray[np.float64]) -> Counts:
        low, high = self.levels
        is_valid = np.isfinite(values) | np.isinf(values)
        place = np.floor((np.where(is_valid, values, low) - low) / (high - low) * self.rows)
        rows = np.clip(place, 0, self.rows - 1)
        rows = np.where(values < low, BELOW, np.where(values > high, ABOVE, rows))
        return np.where(is_valid, rows, INVALID).astype(np.int64)

    def _keep(self, key: tuple[object, ...], table: Counts) -> None:
        if len(self._tables) >= 8:  # changing ranges or time axes: do not let them pile up
            self._tables.clear()
        self._tables[key] = table


def grid_of(wave: Waveform) -> tuple[tuple[float, float], tuple[float, float]]:
    """First and last time of a waveform, and the levels of its converter.

    Where the range of the converter is not known, the levels are those of this waveform, and a tenth more on each side
    for shots to come.

    Raises
    ------
    Misuse : it has no samples.
    """
    if not len(wave):
        raise Misuse(f"a density of `{wave.label}`, which has no samples", expected="at least one sample")
    if wave.code_range is not None:
        low, high = sorted(wave.value_of(code) for code in wave.code_range)
        half_code = 0.5 * abs(wave.gain)
        low, high = low - half_code, high + half_code
    else:
        low, high = sorted(wave.value_of(code) for code in (np.nanmin(wave.codes), np.nanmax(wave.codes)))
        margin = 0.1 * (high - low) or abs(wave.gain)
        low, high = low - margin, high + margin
    return (wave.start, wave.start + wave.duration), (low, high)
