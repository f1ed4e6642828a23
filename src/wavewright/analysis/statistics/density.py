"""Density: all shots of a measurement summed into one picture of counts, time across and level upwards."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.statistics.density_grid import Counts, DensityGrid, LeftOut, ShotCells, grid_of
from wavewright.analysis.statistics.rare_paths import RarePath, Visits
from wavewright.errors import Misuse
from wavewright.waveform import Waveform

if TYPE_CHECKING:
    import numpy.typing as npt


class Density:
    """A grid of exact counts: how many samples of all shots fell into each cell. Its size does not depend on shots.

    Parameters
    ----------
    columns, rows, window, levels : as those of `DensityGrid`.

    Examples
    --------
    >>> density = Density(columns=2, rows=2, window=(0.0, 4.0), levels=(0.0, 2.0))
    >>> density.add(1, Waveform.from_volts([0.5, 0.5, 1.5, 1.5], interval=1.0))
    >>> density.counts.tolist()
    [[2, 0], [0, 2]]
    """

    def __init__(self, *, columns: int, rows: int, window: tuple[float, float], levels: tuple[float, float]) -> None:
        self._grid = DensityGrid(columns=columns, rows=rows, window=window, levels=levels)
        self.columns, self.rows, self.window, self.levels = columns, rows, window, levels
        self.unit = ""  # that of the first shot
        self.shots = 0
        self.samples = 0
        self.left_out = LeftOut()
        self._flat = np.zeros(columns * rows, dtype=np.int64)
        self._visits = Visits(columns * rows)

    @classmethod
    def of(cls, wave: Waveform, *, columns: int = 1000, rows: int = 256) -> Density:
        """An empty density on the grid that `grid_of` makes."""
        window, levels = grid_of(wave)
        return cls(columns=columns, rows=rows, window=window, levels=levels)

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
        self.put(shot, self._grid.seen(wave))

    def put(self, shot: int, seen: ShotCells) -> None:
        """Add a shot that was counted on the same grid before.

        Raises
        ------
        Misuse : a negative number, or another unit than that of the shots before.
        """
        if shot < 0:
            raise Misuse(f"shot {shot}", expected="a number of 0 or more")
        if self.shots and seen.unit != self.unit:
            raise Misuse(f"shot {shot} is in {seen.unit}", expected=f"{self.unit}, as the shots before")
        self.unit = seen.unit
        self.shots += 1
        self.samples += seen.samples
        self.left_out += seen.left_out
        self._flat[seen.cells] += seen.counts
        self._visits.add(shot, seen.cells)

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


def _centre(ends: tuple[float, float], number: int, cells: int) -> float:
    return ends[0] + (ends[1] - ends[0]) * (number + 0.5) / cells
