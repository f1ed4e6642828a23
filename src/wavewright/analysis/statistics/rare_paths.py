"""Rare paths: which shots went where few others went, found in one pass and in memory that does not grow with shots."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

Cells: TypeAlias = "npt.NDArray[np.int64]"
REMEMBERED = 16  # shots per cell; the number of visits is exact beyond it


@dataclass(frozen=True, slots=True)
class RarePath:
    """One shot that left the usual paths.

    Parameters
    ----------
    shot : its number, as it was added.
    cells : how many cells it visited that fewer than 1 in N shots visit. Noise strays into one or two, a glitch
        draws a whole path.
    time, level : centre of the rarest of these cells, s and in the waveform's unit; the earliest if several are.
    visits : how many shots visited that cell.
    rate : visits over all shots.
    where : numbers of the cells, column by column from the first; row by row within a column.
    """

    shot: int
    cells: int
    time: float
    level: float
    visits: int
    rate: float
    where: tuple[int, ...] = field(default=(), compare=False, repr=False)


class Visits:
    """How many shots visited each cell, and which were the first to do so."""

    def __init__(self, cells: int) -> None:
        self.counts = np.zeros(cells, dtype=np.int64)
        self._first = np.full((cells, REMEMBERED), -1, dtype=np.int32)

    def add(self, shot: int, visited: Cells) -> None:
        """Note the cells of one shot, each of them once."""
        before = self.counts[visited]
        is_remembered = before < REMEMBERED
        self._first[visited[is_remembered], before[is_remembered]] = shot
        self.counts[visited] = before + 1

    def rare_cells(self, shots: int, one_in: float) -> Cells:
        """Cells that were visited, but by fewer than 1 in `one_in` shots."""
        return np.flatnonzero((self.counts > 0) & (self.counts * one_in < shots))

    def near_usual(self, shots: int, one_in: float, *, rows: int) -> npt.NDArray[np.bool_]:
        """The cells that noise and jitter carry a usual path into, shape (cells,): those of that path itself included.

        A path that 1 in `one_in` shots or more take is, in each column, some rows thick; noise strays about as far
        beyond it again, and at least into the next row, since a level may lie right at the border of two. Jitter
        strays into the next column. Cells are numbered column by column, `rows` to each.
        """
        usual = (self.counts * one_in >= shots).reshape(-1, rows) & (self.counts > 0).reshape(-1, rows)
        padded = np.zeros((usual.shape[0], rows + 2), dtype=np.int8)
        padded[:, 1:-1] = usual
        steps = np.diff(padded, axis=1)  # 1 where a run of rows begins, -1 after its end
        column, begin = np.nonzero(steps == 1)
        end = np.nonzero(steps == -1)[1]
        thick = end - begin
        reached = np.zeros((usual.shape[0], rows + 1), dtype=np.int32)
        np.add.at(reached, (column, np.maximum(begin - thick, 0)), 1)
        np.add.at(reached, (column, np.minimum(end + thick, rows)), -1)
        near = np.cumsum(reached, axis=1)[:, :rows] > 0
        beside = near.copy()
        beside[1:] |= near[:-1]
        beside[:-1] |= near[1:]
        return beside.reshape(-1)

    def visitors(self, cells: Cells) -> tuple[Cells, Cells]:
        """Pairs of (shot, cell) for the remembered visitors of some cells."""
        first = self._first[cells]
        row, column = np.nonzero(first >= 0)
        return first[row, column].astype(np.int64), cells[row]
