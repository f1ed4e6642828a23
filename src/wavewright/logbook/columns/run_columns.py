"""Runs as columns: a number per run in the order in which they were learnt of, and their order in time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from operator import itemgetter
from typing import Any

import numpy as np
import numpy.typing as npt

from wavewright.logbook.columns.word_column import Numbers, WordList
from wavewright.logbook.queries import Filter, RunEntry
from wavewright.logbook.tables import GOLDEN_BATCH, microseconds, moment_of

SHOWN = ("verdict", "title", "recipe", "part", "serial", "operator", "station", "batch")
WORDS = (*SHOWN, "recipe_sha256")
EXACT = ("part", "recipe", "verdict", "operator", "station", "batch")  # of a filter: exactly that word
COLUMNS = ("id", "started", "ended", "simulated", *WORDS)
Instants = npt.NDArray[np.int64]


def _no_numbers() -> Mapping[str, Numbers]:
    return {name: np.zeros(0, np.int32) for name in WORDS}


def _no_lists() -> Mapping[str, WordList]:
    return {name: WordList() for name in WORDS}


@dataclass(frozen=True, slots=True, eq=False)
class RunColumns:
    """Runs as they were at one moment; what is learnt later is in other columns, which `extended` makes.

    Parameters
    ----------
    ids : by number; started, ended : microseconds since 1970-01-01 UTC; simulated : on a simulated bench.
    words : numbers into `lists`, for each of `WORDS`.
    order : numbers of the runs by time of their start, then by id; times : their starts in that order.
    is_first : whether it is the first run of its unit that there is, on this kind of bench.
    firsts : the number of that run by serial number and kind of bench.
    moved : how often a run that came late was earlier than what had been the first of its unit.
    """

    ids: tuple[str, ...] = ()
    started: Instants = field(default_factory=lambda: np.zeros(0, np.int64))
    ended: Instants = field(default_factory=lambda: np.zeros(0, np.int64))
    simulated: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    words: Mapping[str, Numbers] = field(default_factory=_no_numbers)
    lists: Mapping[str, WordList] = field(default_factory=_no_lists)
    order: Numbers = field(default_factory=lambda: np.zeros(0, np.int32))
    times: Instants = field(default_factory=lambda: np.zeros(0, np.int64))
    is_first: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    firsts: dict[tuple[str, bool], int] = field(default_factory=dict)
    moved: int = 0

    def __len__(self) -> int:
        return len(self.ids)

    def extended(self, rows: Sequence[Sequence[Any]]) -> RunColumns:
        """These runs and more of them.

        Parameters
        ----------
        rows : with the values of `COLUMNS`.
        """
        if not rows:
            return self
        ordered = sorted(rows, key=itemgetter(1, 0))
        ids, started, ended, simulated, *words = zip(*ordered, strict=True)
        first = len(self.ids)
        starts = np.array(started, dtype=np.int64)
        # of runs that start at the same instant as an earlier one the id decides, which `_settled` sees to
        places = np.searchsorted(self.times, starts, side="right")
        order = np.insert(self.order, places, np.arange(first, first + len(ordered), dtype=np.int32))
        is_first, moved = self._with_firsts(ordered)
        whole = replace(
            self,
            ids=(*self.ids, *ids),
            started=np.concatenate([self.started, starts]),
            ended=np.concatenate([self.ended, np.array(ended, dtype=np.int64)]),
            simulated=np.concatenate([self.simulated, np.array(simulated, dtype=np.bool_)]),
            words={
                name: np.concatenate([self.words[name], self.lists[name].numbers(column)])
                for name, column in zip(WORDS, words, strict=True)
            },
            order=order,
            times=np.insert(self.times, places, starts),
            is_first=is_first,
            moved=self.moved + moved,
        )
        return whole._settled()

    def _with_firsts(self, rows: Sequence[Sequence[Any]]) -> tuple[npt.NDArray[np.bool_], int]:
        """Which runs are the first of their units, more of them included, and how many no longer are."""
        moved = 0
        first = len(self.ids)
        is_first = np.concatenate([self.is_first, np.ones(len(rows), dtype=np.bool_)])
        place = COLUMNS.index("serial")
        for number, row in enumerate(rows, first):
            if not (serial := row[place]):
                continue
            known = self.firsts.setdefault((serial, bool(row[3])), number)
            if known == number:
                continue
            if known < first and (row[1], row[0]) < (int(self.started[known]), self.ids[known]):
                is_first[known] = False
                self.firsts[serial, bool(row[3])] = number
                moved += 1
            else:
                is_first[number] = False
        return is_first, moved

    def _settled(self) -> RunColumns:
        """Runs of the same start in the order of their ids."""
        same = np.flatnonzero(self.times[1:] == self.times[:-1])
        if not same.size:
            return self
        order = self.order.copy()
        for group in np.split(same, np.flatnonzero(np.diff(same) > 1) + 1):
            span = slice(int(group[0]), int(group[-1]) + 2)
            order[span] = sorted(order[span], key=lambda number: self.ids[number])
        return replace(self, order=order)

    def chosen(self, which: Filter, *, since_number: int = 0) -> Numbers:
        """The numbers of the runs that a filter leaves, oldest first; as `entries` has them, reversed.

        Parameters
        ----------
        since_number : only those that were learnt of from this number on.

        Raises
        ------
        ValueError : the filter asks for declared fields, which are columns of their own.
        """
        if which.declared:
            raise ValueError("declared fields are no columns of runs: `DeclaredColumns.left` chooses by them")
        first = 0 if which.since is None else int(np.searchsorted(self.times, microseconds(which.since)))
        last = len(self) if which.until is None else int(np.searchsorted(self.times, microseconds(which.until)))
        numbers = self.order[first:last]
        if since_number:
            numbers = numbers[numbers >= since_number]
        for name in EXACT:
            if (word := getattr(which, name)) is not None:
                numbers = numbers[self.words[name][numbers] == self.lists[name].number(word)]
        if which.serial is not None:
            numbers = numbers[np.isin(self.words["serial"][numbers], self.lists["serial"].meant_by(which.serial))]
        if which.golden is False:
            numbers = numbers[self.words["batch"][numbers] != self.lists["batch"].number(GOLDEN_BATCH)]
        if which.simulated is not None:
            numbers = numbers[self.simulated[numbers] == which.simulated]
        return numbers

    def column(self, name: str, numbers: Numbers) -> list[str]:
        """The words of some runs."""
        words = self.lists[name].words
        return [words[code] for code in self.words[name][numbers].tolist()]

    def known(self, name: str) -> list[str]:
        """Every word that any run has in a column, but for the empty one, sorted."""
        used = np.unique(self.words[name])
        return sorted(word for code in used.tolist() if (word := self.lists[name].words[code]))

    def units(self, numbers: Numbers) -> Instants:
        """What distinguishes the units of some runs: their serial number, or the run itself where there is none."""
        serials = self.words["serial"][numbers].astype(np.int64)
        empty = self.lists["serial"].number("")
        return np.where(serials == empty, -1 - numbers.astype(np.int64), serials)

    def passed(self, numbers: Numbers) -> npt.NDArray[np.bool_]:
        """Whether each of some runs passed; fail, inconclusive and error alike did not."""
        passed: npt.NDArray[np.bool_] = self.words["verdict"][numbers] == self.lists["verdict"].number("pass")
        return passed

    def entry(self, number: int) -> RunEntry:
        """One run, as a list shows it."""
        words = {name: self.lists[name].words[self.words[name][number]] for name in SHOWN}
        return RunEntry(
            id=self.ids[number],
            started=moment_of(int(self.started[number])),
            ended=moment_of(int(self.ended[number])),
            simulated=bool(self.simulated[number]),
            **words,
        )
