"""Declared fields of runs as columns: per name the texts that there are, and which of them each run has."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from wavewright.logbook.columns.word_column import Numbers, WordList

NOT_DECLARED = ""  # no answer is empty


def _new_list() -> WordList:
    words = WordList()
    words.numbers([NOT_DECLARED])
    return words


@dataclass(frozen=True, slots=True, eq=False)
class DeclaredColumns:
    """Declared fields of runs as they were at one moment.

    Parameters
    ----------
    runs : the fields of this many runs are known, by their numbers.
    numbers : of each name the numbers of the texts in `lists`; a column may be shorter than the runs are many.
    """

    runs: int = 0
    numbers: Mapping[str, Numbers] = field(default_factory=dict)
    lists: Mapping[str, WordList] = field(default_factory=dict)

    def extended(self, found: Mapping[int, Mapping[str, str]], *, runs: int) -> DeclaredColumns:
        """These and those of more runs.

        Parameters
        ----------
        found : by the number of a run, its fields; runs without any may be missing.
        runs : how many there are then.
        """
        names = {name for fields in found.values() for name in fields}
        numbers, lists = dict(self.numbers), dict(self.lists)
        for name in names:
            lists.setdefault(name, _new_list())
            column = np.zeros(runs, np.int32)
            if (known := self.numbers.get(name)) is not None:
                column[: known.size] = known
            those = [(number, fields[name]) for number, fields in found.items() if name in fields]
            column[[number for number, _ in those]] = lists[name].numbers(text for _, text in those)
            numbers[name] = column
        return DeclaredColumns(runs, numbers, lists)

    def left(self, runs: Numbers, declared: Sequence[tuple[str, str]]) -> Numbers:
        """Those of some runs that declare every one of these fields so; `*` in a text stands for anything."""
        for name, text in declared:
            if name not in self.numbers:
                return runs[:0]
            meant = self.lists[name].meant_by(text)
            column = self.numbers[name]
            is_known = runs < column.size
            texts = np.where(is_known, column[np.where(is_known, runs, 0)], 0)
            runs = runs[(texts > 0) & np.isin(texts, meant)]
        return runs

    @property
    def names(self) -> list[str]:
        """Every field that any run declares."""
        return sorted(self.numbers)

    def texts(self, name: str) -> list[str]:
        """Every text that any run declares a field to be, in the order in which they came."""
        return [text for text in self.lists[name].words if text != NOT_DECLARED]
