"""Rare paths: which shots went where few others went, found in one pass and in memory that does not grow with shots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Cells = npt.NDArray[np.int64]
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
    """

    shot: int
    cells: int
    time: float
    level: float
    visits: int
    rate: float


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

    def visitors(self, cells: Cells) -> tuple[Cells, Cells]:
        """Pairs of (shot, cell) for the remembered visitors of some cells."""
        first = self._first[cells]
        row, column = np.nonzero(first >= 0)
        return first[row, column].astype(np.int64), cells[row]
