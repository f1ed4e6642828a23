"""Density: all shots of a measurement summed into one picture of counts, time across and level upwards."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from wavewright.analysis.record.blocks import CODES_BLOCK, spans
from wavewright.analysis.statistics.rare_paths import RarePath, Visits
from wavewright.errors import Misuse
from wavewright.waveform import Codes, Waveform

if TYPE_CHECKING:
    import numpy.typing as npt

Counts: TypeAlias = "npt.NDArray[np.int64]"


@dataclass(slots=True)
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


class Density:
    """A grid of exact counts: how many samples of all shots fell into each cell. Its size does not depend on shots.

    A cell holds times from its left edge up to, and without, its right one, and levels likewise; only the last
    column and the highest row hold their outer edge too.

    Parameters
    ----------
    columns, rows : cells across time and up the levels, at least 1.
    window : first and last time, s.
    levels : lowest and highest level, in the waveforms' unit.

    Examples
    --------
    >>> density = Density(columns=2, rows=2, window=(0.0, 4.0), levels=(0.0, 2.0))
    >>> density.add(1, Waveform.from_volts([0.5, 0.5, 1.5, 1.5], interval=1.0))
    >>> density.counts.tolist()
    [[2, 0], [0, 2]]
    """

    def __init__(self, *, columns: int, rows: int, window: tuple[float, float], levels: tuple[float, float]) -> None:
        if columns < 1 or rows < 1 or columns * rows > 2**26:
            raise Misuse(f"a density of {columns} × {rows} cells", expected="1 × 1 up to 64 million cells")
        for name, (low, high) in (("window", window), ("levels", levels)):
            if not (math.isfinite(low) and math.isfinite(high) and low < high):
                raise Misuse(f"`{name}` is {low:g} .. {high:g}", expected="two finite numbers, the lower one first")
        self.columns, self.rows, self.window, self.levels = columns, rows, window, levels
        self.unit = ""  # that of the first shot
        self.shots = 0
        self.samples = 0
        self.left_out = LeftOut()
        self._flat = np.zeros(columns * rows, dtype=np.int64)  # column by column: a shot writes to neighbours
        self._visits = Visits(columns * rows)
        self._is_visited = np.zeros(columns * rows, dtype=bool)
        self._tables: dict[tuple[object, ...], npt.NDArray[np.int64]] = {}

    @classmethod
    def of(cls, wave: Waveform, *, columns: int = 1000, rows: int = 256) -> Density:
        """An empty density with the time axis of a waveform and the levels of its converter.

        Where the range of the converter is not known, the levels are those of this waveform, and a tenth more on
        each side for shots to come.
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
        window = (wave.start, wave.start + wave.duration)
        return cls(columns=columns, rows=rows, window=window, levels=(low, high))

    @property
    def counts(self) -> Counts:
        """Samples in each cell, shape (rows, columns), the lowest level first; a view that is not to be written to."""
        return self._as_picture(self._flat)

    @property
    def visits(self) -> Counts:
        """Shots that visited each cell, shape (rows, columns)."""
        return self._as_picture(self._visits.counts)

    @property
    def rates(self) -> npt.NDArray[np.float64]:
        """Fraction of the shots that visited each cell, shape (rows, columns)."""
        return self.visits / max(self.shots, 1)

    def _as_picture(self, flat: Counts) -> Counts:
        view = flat.reshape(self.columns, self.rows).T
        view.flags.writeable = False
        return view

    def add(self, shot: int, wave: Waveform) -> None:
        """Count every sample of one shot.

        Parameters
        ----------
        shot : its number, 0 or more; each is added once.
        """
        if shot < 0:
            raise Misuse(f"shot {shot}", expected="a number of 0 or more")
        if self.shots and wave.unit != self.unit:
            raise Misuse(f"shot {shot} is in {wave.unit}", expected=f"{self.unit}, as the shots before")
        self.unit = wave.unit
        self.shots += 1
        self.samples += len(wave)
        first, last = self._inside(wave)
        for begin, end in spans(first, last, CODES_BLOCK):
            rows = self._rows_of(wave, wave.codes[begin:end])
            cells = self._columns_of(wave, begin, end) + rows
            if rows.size and rows.min() < 0:
                cells = cells[self._within(rows)]
            if cells.size < self._flat.size // 4:
                np.add.at(self._flat, cells, 1)
            else:
                self._flat += np.bincount(cells, minlength=self._flat.size)
            self._is_visited[cells] = True
        visited = np.flatnonzero(self._is_visited)
        self._is_visited[visited] = False
        self._visits.add(shot, visited)

    def rare(self, one_in: float, *, least_cells: int = 1, beyond_noise: bool = False) -> tuple[RarePath, ...]:
        """The shots that went where fewer than 1 in `one_in` shots went; the one with the longest such path first.

        Of the visitors of a cell the first 16 are remembered; more than 16 are listed only if 16 × `one_in` shots
        and more were taken, and then their number is still exact in `visits`.

        Parameters
        ----------
        least_cells : shots with fewer rare cells are left out: noise at the edge of a trace strays into one or two.
        beyond_noise : leave out cells beside a path that is not rare, into which noise or jitter carries that path.
        """
        if not one_in >= 1:
            raise Misuse(f"rare as 1 in {one_in:g}", expected="1 in 1 or rarer")
        rare = self._visits.rare_cells(self.shots, one_in)
        if beyond_noise:
            rare = rare[~self._visits.near_usual(self.shots, one_in, rows=self.rows)[rare]]
        shots, cells = self._visits.visitors(rare)
        order = np.lexsort((cells, self._visits.counts[cells], shots))
        numbers, begins, sizes = np.unique(shots[order], return_index=True, return_counts=True)
        paths = [
            self._rare_path(int(shot), cells[order[begin : begin + size]])
            for shot, begin, size in zip(numbers, begins, sizes, strict=True)
            if size >= least_cells
        ]
        return tuple(sorted(paths, key=lambda path: (-path.cells, path.visits, path.shot)))

    def _rare_path(self, shot: int, cells: Counts) -> RarePath:
        rarest = int(cells[0])
        column, row = divmod(rarest, self.rows)
        visits = int(self._visits.counts[rarest])
        return RarePath(
            shot=shot,
            cells=int(cells.size),
            time=_centre(self.window, column, self.columns),
            level=_centre(self.levels, row, self.rows),
            visits=visits,
            rate=visits / self.shots,
            where=tuple(sorted(cells.tolist())),
        )

    def _inside(self, wave: Waveform) -> tuple[int, int]:
        """First sample in the window, and the one after the last."""
        first = min(max(math.ceil((self.window[0] - wave.start) / wave.interval - 1e-9), 0), len(wave))
        last = min(max(math.floor((self.window[1] - wave.start) / wave.interval + 1e-9) + 1, first), len(wave))
        self.left_out.before += first
        self.left_out.after += len(wave) - last
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
        """The row of each sample; −1 below, −2 above, −3 invalid."""
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
        rows = np.where(values < low, -1, np.where(values > high, -2, rows))
        return np.where(is_valid, rows, -3).astype(np.int64)

    def _within(self, rows: Counts) -> npt.NDArray[np.bool_]:
        self.left_out.below += int(np.count_nonzero(rows == -1))
        self.left_out.above += int(np.count_nonzero(rows == -2))
        self.left_out.invalid += int(np.count_nonzero(rows == -3))
        return rows >= 0

    def _keep(self, key: tuple[object, ...], table: Counts) -> None:
        if len(self._tables) >= 8:  # changing ranges or time axes: do not let them pile up
            self._tables.clear()
        self._tables[key] = table


def _centre(ends: tuple[float, float], number: int, cells: int) -> float:
    return ends[0] + (ends[1] - ends[0]) * (number + 0.5) / cells
