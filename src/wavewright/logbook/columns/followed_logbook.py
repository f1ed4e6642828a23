"""A logbook that is followed: its runs in memory, brought up to date by what its chains have new.

Asking whether there is anything new reads one row per station. What is new is read by the primary keys of the new runs;
where a chain shows more than new runs (`prune`, a restored copy), everything is read anew.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sqlalchemy import Connection, func, select, text

from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import CHUNK, LINE, RUN
from wavewright.logbook.columns.failed_readings import FailedReadings
from wavewright.logbook.columns.reading_columns import ReadingColumns
from wavewright.logbook.columns.run_columns import COLUMNS, RunColumns
from wavewright.logbook.line_notes import LineNote, notes_in
from wavewright.logbook.tables import heads, links, outcomes, readings

MOST_KEPT = 256_000_000  # bytes of readings that stay in memory; of those that nobody asked for lately the rest goes
Heads = Mapping[str, tuple[int, str]]


@dataclass(frozen=True, slots=True, eq=False)
class FollowedRuns:
    """What was known at one moment.

    Parameters
    ----------
    epoch : another one after everything had to be read anew: runs have other numbers then.
    numbers : of the runs, by id; may hold later ones too.
    units : of every reading that any run has, by name.
    notes : how many notes of the line there are.
    """

    epoch: int = 0
    runs: RunColumns = field(default_factory=RunColumns)
    failed: FailedReadings = field(default_factory=FailedReadings)
    numbers: dict[str, int] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    heads: Heads = field(default_factory=dict)
    notes: int = 0


class FollowedLogbook:
    """A logbook that many ask at once; every method may be called from any thread."""

    def __init__(self, book: Logbook) -> None:
        self._book = book
        self._lock, self._reading_lock = threading.Lock(), threading.Lock()
        self._kept: OrderedDict[str, tuple[int, ReadingColumns]] = OrderedDict()
        self._now = FollowedRuns()
        self._notes: tuple[int, int, tuple[LineNote, ...]] = (0, 0, ())
        self._is_read = False

    def now(self) -> FollowedRuns:
        """The runs as the database has them now.

        Raises
        ------
        StorageFault : it cannot be read.
        """
        with self._lock, self._book.reading() as connection:
            found = _heads(connection)
            if self._is_read and found == self._now.heads:
                return self._now
            new = _new_links(connection, self._now.heads, found) if self._is_read else None
            if new is None:
                self._now = _everything(connection, found, self._now.epoch + 1)
            else:
                runs, notes = new
                self._now = replace(_with_new(connection, self._now, runs, found), notes=self._now.notes + notes)
            self._is_read = True
            return self._now

    def notes(self, at: FollowedRuns) -> tuple[LineNote, ...]:
        """The notes of the line that were known at that moment, oldest first; later ones may be among them too.

        Raises
        ------
        StorageFault : the database cannot be read.
        """
        with self._reading_lock:
            epoch, count, found = self._notes
            if (epoch, count) != (at.epoch, at.notes):
                found = tuple(notes_in(self._book)) if at.notes else ()
                self._notes = at.epoch, at.notes, found
            return found

    def readings(self, at: FollowedRuns, name: str) -> ReadingColumns:
        """Every reading of that name in the runs that were known at that moment; later runs may be in it too.

        Raises
        ------
        StorageFault : the database cannot be read.
        """
        with self._reading_lock:
            epoch, known = self._kept.pop(name, (at.epoch, ReadingColumns()))
            if epoch != at.epoch:
                known = ReadingColumns()
            if known.runs < len(at.runs):
                with self._book.reading() as connection:
                    known = _more_readings(connection, name, known, at)
            self._kept[name] = at.epoch, known
            while len(self._kept) > 1 and sum(one.size for _, one in self._kept.values()) > MOST_KEPT:
                self._kept.popitem(last=False)
            return known


def _heads(connection: Connection) -> Heads:
    return {row.station: (row.length, row.sha256) for row in connection.execute(select(heads))}


def _new_links(connection: Connection, before: Heads, after: Heads) -> tuple[list[str], int] | None:
    """The ids of the runs that the chains have more, and how many notes of the line; None where they show more."""
    if set(before) - set(after):
        return None
    found: list[str] = []
    notes = 0
    for station, (length, sha256) in after.items():
        known, last = before.get(station, (0, ""))
        if (length, sha256) == (known, last):
            continue
        if length <= known:
            return None
        rows = connection.execute(
            select(links.c.kind, links.c.run, links.c.previous)
            .where(links.c.station == station, links.c.position >= known)
            .order_by(links.c.position)
        ).all()
        if known and (not rows or rows[0].previous != last):  # another chain than the one that was known
            return None
        new = rows if known else rows[1:]  # a chain begins with a note of how many runs were there before it
        if any(row.kind not in (RUN, LINE) for row in new):
            return None
        found += [row.run for row in new if row.kind == RUN]
        notes += sum(row.kind == LINE for row in new)
    return found, notes


def _everything(connection: Connection, now: Heads, epoch: int) -> FollowedRuns:
    rows = connection.execute(select(*(outcomes.c[name] for name in COLUMNS))).all()
    runs = RunColumns().extended(rows)
    numbers = {run: number for number, run in enumerate(runs.ids)}
    # the verdict of a run is the worst of its readings: only runs that did not pass have any that did not
    query = (
        select(readings.c.outcome, readings.c.name, readings.c.verdict)
        .join_from(outcomes, readings, readings.c.outcome == outcomes.c.id)
        .where(outcomes.c.verdict != "pass", readings.c.verdict != "pass")
    )
    failed = [(numbers[row.outcome], row.name, row.verdict) for row in connection.execute(query)]
    notes = connection.execute(select(func.count()).select_from(links).where(links.c.kind == LINE)).scalar_one()
    return FollowedRuns(epoch, runs, FailedReadings().extended(failed), numbers, _units(connection), now, notes)


def _with_new(connection: Connection, before: FollowedRuns, new: Sequence[str], now: Heads) -> FollowedRuns:
    ids = [run for run in new if run not in before.numbers]
    rows = [row for some in _parts(ids) for row in _runs(connection, some)]
    runs = before.runs.extended(rows)
    for number in range(len(before.runs), len(runs)):
        before.numbers[runs.ids[number]] = number
    units = dict(before.units)
    failed: list[tuple[int, str, str]] = []
    columns = (readings.c.outcome, readings.c.name, readings.c.unit, readings.c.verdict)
    for some in _parts(ids):
        for row in connection.execute(select(*columns).where(readings.c.outcome.in_(some))):
            units.setdefault(row.name, row.unit)
            if row.verdict is not None and row.verdict != "pass":
                failed.append((before.numbers[row.outcome], row.name, row.verdict))
    return FollowedRuns(before.epoch, runs, before.failed.extended(failed), before.numbers, units, now)


def _runs(connection: Connection, ids: Sequence[str]) -> Sequence[Any]:
    return connection.execute(select(*(outcomes.c[name] for name in COLUMNS)).where(outcomes.c.id.in_(ids))).all()


def _more_readings(connection: Connection, name: str, known: ReadingColumns, at: FollowedRuns) -> ReadingColumns:
    """The readings of the runs that are new; those of all runs are read from the index alone."""
    columns = (readings.c.outcome, readings.c.value, readings.c.verdict)
    query = select(*columns).where(readings.c.name == name)
    first, last = known.runs, len(at.runs)
    if not first:
        found = connection.execute(query).cursor.fetchall()  # as the driver gives them: an object per row takes longer
    else:
        ids = at.runs.ids[first:last]
        found = [row for some in _parts(ids) for row in connection.execute(query.where(readings.c.outcome.in_(some)))]
    number_of = at.numbers.get
    rows = [(number, value, verdict) for run, value, verdict in found if first <= (number := number_of(run, -1)) < last]
    return known.extended(rows, runs=last)


def _parts(ids: Sequence[str]) -> Iterator[Sequence[str]]:
    return (ids[first : first + CHUNK] for first in range(0, len(ids), CHUNK))


# From one name to the next one along the index: as many steps as there are names, however many readings there are.
_NAMES = text(
    "WITH RECURSIVE found (name) AS (SELECT min(name) FROM readings UNION ALL"
    " SELECT (SELECT min(name) FROM readings WHERE readings.name > found.name) FROM found WHERE found.name IS NOT NULL)"
    " SELECT name, (SELECT unit FROM readings WHERE readings.name = found.name LIMIT 1) AS unit"
    " FROM found WHERE name IS NOT NULL"
)


def _units(connection: Connection) -> dict[str, str]:
    return {row.name: row.unit for row in connection.execute(_NAMES)}
