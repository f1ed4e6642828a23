"""The readings that did not pass, of all runs: what a Pareto of failures counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from wavewright.logbook.columns.word_column import Numbers, WordList


def _none() -> Numbers:
    return np.zeros(0, np.int32)


@dataclass(frozen=True, slots=True, eq=False)
class FailedReadings:
    """One entry per reading with another verdict than pass.

    Parameters
    ----------
    run : number of its run; name, verdict : numbers into the lists.
    """

    run: Numbers = field(default_factory=_none)
    name: Numbers = field(default_factory=_none)
    verdict: Numbers = field(default_factory=_none)
    names: WordList = field(default_factory=WordList)
    verdicts: WordList = field(default_factory=WordList)

    def extended(self, rows: Sequence[tuple[int, str, str]]) -> FailedReadings:
        """These and more: number of the run, name, verdict."""
        if not rows:
            return self
        runs, names, verdicts = zip(*rows, strict=True)
        return replace(
            self,
            run=np.concatenate([self.run, np.array(runs, dtype=np.int32)]),
            name=np.concatenate([self.name, self.names.numbers(names)]),
            verdict=np.concatenate([self.verdict, self.verdicts.numbers(verdicts)]),
        )

    def counted(self, numbers: Numbers, *, of: int, verdict: str = "fail") -> dict[str, int]:
        """How many of some runs have each reading with that verdict.

        Parameters
        ----------
        of : how many runs there are in all.
        """
        is_meant = np.zeros(of, dtype=np.bool_)
        is_meant[numbers] = True
        within = self.run < of
        keep = is_meant[self.run[within]] & (self.verdict[within] == self.verdicts.number(verdict))
        counts = np.bincount(self.name[within][keep], minlength=len(self.names.words))
        return {self.names.words[at]: int(counts[at]) for at in np.flatnonzero(counts).tolist()}

    def of_runs(self, numbers: Sequence[int]) -> dict[int, list[tuple[str, str]]]:
        """Name and verdict of each, by the number of the run."""
        found: dict[int, list[tuple[str, str]]] = {}
        for at in np.flatnonzero(np.isin(self.run, np.asarray(numbers, dtype=np.int32))).tolist():
            pair = (self.names.words[self.name[at]], self.verdicts.words[self.verdict[at]])
            found.setdefault(int(self.run[at]), []).append(pair)
        return {number: sorted(pairs) for number, pairs in found.items()}
