"""What is counted of a line: units, first-pass and final yield, over all runs and by station, batch or day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from wavewright.logbook.columns.run_columns import Instants, RunColumns
from wavewright.logbook.columns.unit_standing import UnitStanding
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
    first_passed : units whose first run of these passed; good : units that have passed by the rule for retests of their
        recipe, without one in their last run of these, and that are not in quarantine.
    apart : units that are in quarantine.
    new : units whose first run ever is among these; new_passed : of them, those that passed it.
    not_passed : runs that did not pass.
    begun, latest : start of the first and of the last run.
    """

    name: str
    runs: int
    units: int
    first_passed: int
    good: int
    apart: int
    new: int
    new_passed: int
    not_passed: int
    simulated: int
    begun: datetime
    latest: datetime


def figures_by(columns: RunColumns, standing: UnitStanding, numbers: Numbers, word: str) -> list[LineFigures]:
    """The counts of each station, batch, part or recipe among some runs, by name.

    Parameters
    ----------
    numbers : of the runs, oldest first; at least one.
    word : the column.
    """
    names = columns.lists[word].words
    found = _counted(columns, standing, numbers, columns.words[word][numbers].astype(np.int64), names)
    return sorted(found, key=lambda one: one.name)


def figures_of(columns: RunColumns, standing: UnitStanding, numbers: Numbers) -> LineFigures:
    """The counts of some runs together; as above."""
    return _counted(columns, standing, numbers, np.zeros(numbers.size, dtype=np.int64), [""])[0]


def figures_by_day(columns: RunColumns, standing: UnitStanding, numbers: Numbers) -> list[LineFigures]:
    """The counts of each day, UTC, oldest first; the name is the day as ISO 8601 has it."""
    # only days that have runs: between two clocks, one of which is wrong, there may be millions of others
    days, groups = np.unique(columns.started[numbers] // DAY, return_inverse=True)
    names = [moment_of(day * DAY).date().isoformat() for day in days.tolist()]
    return _counted(columns, standing, numbers, groups, names)


DAY = 86_400_000_000  # microseconds


def _counted(
    columns: RunColumns, standing: UnitStanding, numbers: Numbers, groups: Instants, names: list[str]
) -> list[LineFigures]:
    """The counts of each group; `groups` has one number per run, an index of `names`."""
    count = int(groups.max()) + 1
    units = columns.units(numbers)
    _, whose = np.unique(units, return_inverse=True)
    pairs = groups * (int(whose.max()) + 1) + whose  # a unit in a group
    passed = columns.passed(numbers)
    _, first, whose = np.unique(pairs, return_index=True, return_inverse=True)
    is_apart = standing.set_apart(columns, numbers[first])
    is_good = standing.passed(columns, numbers, whose) & ~is_apart

    def per_group(at: npt.NDArray[np.intp], keep: Flags | None = None) -> npt.NDArray[np.intp]:
        return np.bincount(groups[at] if keep is None else groups[at][keep[at]], minlength=count)

    every = np.arange(numbers.size)
    runs, units_of = per_group(every), per_group(first)
    good_first = per_group(first, passed)
    good, apart = (np.bincount(groups[first][flags], minlength=count) for flags in (is_good, is_apart))
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
            int(good[at]),
            int(apart[at]),
            int(new[at]),
            int(new_passed[at]),
            int(bad[at]),
            int(simulated[at]),
            moment_of(int(begun[at])),
            moment_of(int(latest[at])),
        )
        for at in np.flatnonzero(runs).tolist()
    ]
