"""What is counted of a line: units, first-pass and final yield, over all runs and by station, batch or day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from wavewright.logbook.columns.run_columns import Instants, RunColumns
from wavewright.logbook.columns.word_column import Numbers
from wavewright.logbook.tables import moment_of

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class LineFigures:
    """Counts of some runs.

    Parameters
    ----------
    name : of the station, batch, … that they are of.
    runs, units : how many; simulated : of the runs, those on a simulated bench.
    first_passed : units whose first run of these passed; last_passed : units whose last run of these passed.
    new : units whose first run ever is among these; new_passed : of them, those that passed it.
    not_passed : runs that did not pass.
    begun, latest : start of the first and of the last run.
    """

    name: str
    runs: int
    units: int
    first_passed: int
    last_passed: int
    new: int
    new_passed: int
    not_passed: int
    simulated: int
    begun: datetime
    latest: datetime


def figures_by(columns: RunColumns, numbers: Numbers, word: str) -> list[LineFigures]:
    """The counts of each station, batch, part or recipe among some runs, by name.

    Parameters
    ----------
    numbers : of the runs, oldest first; at least one.
    word : the column.
    """
    names = columns.lists[word].words
    found = _counted(columns, numbers, columns.words[word][numbers].astype(np.int64), names)
    return sorted(found, key=lambda one: one.name)


def figures_of(columns: RunColumns, numbers: Numbers) -> LineFigures:
    """The counts of some runs together; as above."""
    return _counted(columns, numbers, np.zeros(numbers.size, dtype=np.int64), [""])[0]


def figures_by_day(columns: RunColumns, numbers: Numbers) -> list[LineFigures]:
    """The counts of each day, UTC, oldest first; the name is the day as ISO 8601 has it."""
    days = columns.started[numbers] // DAY
    first = int(days.min())
    names = [f"{moment_of((first + at) * DAY):%Y-%m-%d}" for at in range(int(days.max()) - first + 1)]
    return sorted(_counted(columns, numbers, days - first, names), key=lambda one: one.name)


DAY = 86_400_000_000  # microseconds


def _counted(columns: RunColumns, numbers: Numbers, groups: Instants, names: list[str]) -> list[LineFigures]:
    """The counts of each group; `groups` has one number per run, an index of `names`."""
    count = int(groups.max()) + 1
    units = columns.units(numbers)
    _, whose = np.unique(units, return_inverse=True)
    pairs = groups * (int(whose.max()) + 1) + whose  # a unit in a group
    passed = columns.passed(numbers)
    _, first = np.unique(pairs, return_index=True)
    _, from_end = np.unique(pairs[::-1], return_index=True)
    last = pairs.size - 1 - from_end

    def per_group(at: npt.NDArray[np.intp], keep: Flags | None = None) -> npt.NDArray[np.intp]:
        return np.bincount(groups[at] if keep is None else groups[at][keep[at]], minlength=count)

    every = np.arange(numbers.size)
    runs, units_of = per_group(every), per_group(first)
    good_first, good_last = per_group(first, passed), per_group(last, passed)
    is_first = columns.is_first[numbers]
    new, new_passed = per_group(every, is_first), per_group(every, is_first & passed)
    bad, simulated = per_group(every, ~passed), per_group(every, columns.simulated[numbers])
    started = columns.started[numbers]
    begun, latest = np.full(count, np.iinfo(np.int64).max), np.full(count, np.iinfo(np.int64).min)
    np.minimum.at(begun, groups, started)
    np.maximum.at(latest, groups, started)
    return [
        LineFigures(
            names[at],
            int(runs[at]),
            int(units_of[at]),
            int(good_first[at]),
            int(good_last[at]),
            int(new[at]),
            int(new_passed[at]),
            int(bad[at]),
            int(simulated[at]),
            moment_of(int(begun[at])),
            moment_of(int(latest[at])),
        )
        for at in np.flatnonzero(runs).tolist()
    ]
