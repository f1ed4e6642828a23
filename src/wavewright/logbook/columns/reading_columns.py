"""All readings of one name as columns: what a trend, a control chart and a comparison of stations are computed from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from wavewright.logbook.columns.word_column import Numbers, WordList

Reals = npt.NDArray[np.float64]


def _none() -> Reals:
    return np.zeros(0, np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class ReadingColumns:
    """The readings of one name in the first `runs` runs.

    Parameters
    ----------
    unit : of the values.
    row_of_run : for each run the row of its reading, −1 where it has none.
    value, uncertainty, low, high : NaN where there is none; low and high are the ends of the limit.
    verdict : numbers into `verdicts`, where `` stands for a reading that is not judged.
    """

    name: str
    unit: str = ""
    row_of_run: Numbers = field(default_factory=lambda: np.zeros(0, np.int32))
    value: Reals = field(default_factory=_none)
    uncertainty: Reals = field(default_factory=_none)
    low: Reals = field(default_factory=_none)
    high: Reals = field(default_factory=_none)
    verdict: Numbers = field(default_factory=lambda: np.zeros(0, np.int32))
    verdicts: WordList = field(default_factory=WordList)

    @property
    def runs(self) -> int:
        """How many runs have been looked at."""
        return int(self.row_of_run.size)

    @property
    def size(self) -> int:
        """Bytes of memory."""
        return self.row_of_run.nbytes + self.value.nbytes * 4 + self.verdict.nbytes

    def extended(self, rows: Sequence[tuple[int, Sequence[Any]]], *, runs: int) -> ReadingColumns:
        """These and more of them.

        Parameters
        ----------
        rows : number of the run, and the values of `COLUMNS`.
        runs : how many runs have been looked at now.
        """
        row_of_run = np.full(runs, -1, dtype=np.int32)
        row_of_run[: self.runs] = self.row_of_run
        if not rows:
            return replace(self, row_of_run=row_of_run)
        numbers, columns = zip(*rows, strict=True)
        units, *reals, verdicts = zip(*columns, strict=True)
        first = self.value.size
        row_of_run[list(numbers)] = np.arange(first, first + len(rows), dtype=np.int32)
        value, uncertainty, low, high = (
            np.concatenate([old, np.array(new, dtype=np.float64)])  # None becomes NaN
            for old, new in zip((self.value, self.uncertainty, self.low, self.high), reals, strict=True)
        )
        return replace(
            self, unit=self.unit or units[-1], row_of_run=row_of_run, value=value, uncertainty=uncertainty, low=low,
            high=high, verdict=np.concatenate([self.verdict, self.verdicts.numbers(word or "" for word in verdicts)]),
        )  # fmt: skip

    def rows(self, numbers: Numbers) -> tuple[Numbers, Numbers]:
        """Of some runs, oldest first: the numbers of those that have the reading, and the rows of it."""
        rows = self.row_of_run[numbers]
        return numbers[rows >= 0], rows[rows >= 0]

    def has(self, rows: Numbers, verdict: str) -> npt.NDArray[np.bool_]:
        """Which of some rows have that verdict."""
        found: npt.NDArray[np.bool_] = self.verdict[rows] == self.verdicts.number(verdict)
        return found


COLUMNS = ("unit", "value", "uncertainty", "low", "high", "verdict")
