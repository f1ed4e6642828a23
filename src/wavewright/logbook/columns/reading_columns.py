"""All readings of one name as columns: what a trend, a control chart and a comparison of stations are computed from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from wavewright.logbook.columns.word_column import Numbers, WordList

Reals = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ReadingColumns:
    """The readings of one name in the first `runs` runs.

    Parameters
    ----------
    row_of_run : for each run the row of its reading, −1 where it has none.
    value : NaN where there is no number.
    verdict : numbers into `verdicts`, where an empty word is that of a reading that is not judged.
    """

    row_of_run: Numbers = field(default_factory=lambda: np.zeros(0, np.int32))
    value: Reals = field(default_factory=lambda: np.zeros(0, np.float64))
    verdict: Numbers = field(default_factory=lambda: np.zeros(0, np.int32))
    verdicts: WordList = field(default_factory=WordList)

    @property
    def runs(self) -> int:
        """How many runs have been looked at."""
        return int(self.row_of_run.size)

    @property
    def size(self) -> int:
        """Bytes of memory."""
        return self.row_of_run.nbytes + self.value.nbytes + self.verdict.nbytes

    def extended(self, rows: Sequence[tuple[int, float | None, str | None]], *, runs: int) -> ReadingColumns:
        """These and more of them.

        Parameters
        ----------
        rows : number of the run, value and verdict.
        runs : how many runs have been looked at now.
        """
        row_of_run = np.full(runs, -1, dtype=np.int32)
        row_of_run[: self.runs] = self.row_of_run
        if not rows:
            return replace(self, row_of_run=row_of_run)
        numbers, values, verdicts = zip(*rows, strict=True)
        first = self.value.size
        row_of_run[list(numbers)] = np.arange(first, first + len(rows), dtype=np.int32)
        return replace(
            self,
            row_of_run=row_of_run,
            value=np.concatenate([self.value, np.array(values, dtype=np.float64)]),  # None becomes NaN
            verdict=np.concatenate([self.verdict, self.verdicts.numbers(word or "" for word in verdicts)]),
        )

    def rows(self, numbers: Numbers) -> tuple[Numbers, Numbers]:
        """Of some runs, oldest first: the numbers of those that have the reading, and the rows of it."""
        rows = self.row_of_run[numbers]
        return numbers[rows >= 0], rows[rows >= 0]

    def has(self, rows: Numbers, verdict: str) -> npt.NDArray[np.bool_]:
        """Which of some rows have that verdict."""
        found: npt.NDArray[np.bool_] = self.verdict[rows] == self.verdicts.number(verdict)
        return found
