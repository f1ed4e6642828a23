"""A logbook that is followed: its runs in memory, brought up to date by what its chains have new.

Asking whether there is anything new reads one row per station. What is new is read by the primary keys of the new runs;
where a chain shows more than new runs (`prune`, a restored copy), everything is read anew.
"""

from __future__ import annotations

import threading
from collections import OrderedDict, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sqlalchemy import Connection, select, text

from wavewright.judgement.retest_rule import RetestRule
from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import ATTACHED, CHUNK, CODES_OUT, LINE, RUN
from wavewright.logbook.columns.declared_columns import DeclaredColumns
from wavewright.logbook.columns.failed_readings import FailedReadings
from wavewright.logbook.columns.reading_columns import ReadingColumns
from wavewright.logbook.columns.run_columns import COLUMNS, RunColumns
from wavewright.logbook.columns.unit_standing import UnitStanding
from wavewright.logbook.declared_fields import every_declared
from wavewright.logbook.line_notes import notes_on
from wavewright.logbook.quarantine import in_quarantine
from wavewright.logbook.tables import heads, links, outcomes, readings, texts
from wavewright.recipe.retesting import retest_rule_in

MOST_KEPT = 256_000_000  # bytes of readings that stay in memory; of those that nobody asked for lately the rest goes
BESIDE = (LINE, ATTACHED, CODES_OUT)  # links that leave the runs as they are, and change what pages say of them
Heads = Mapping[str, tuple[int, str]]


@dataclass(frozen=True, slots=True, eq=False)
class FollowedRuns:
    """What was known at one moment.

    Parameters
    ----------
    epoch : another one after everything had to be read anew: runs have other numbers then.
    numbers : of the runs, by id; may hold later ones too.
    units : of every reading that any run has, by name.
    standing : what decides of units beside their runs; noted : how often it has changed.
    """

    epoch: int = 0
    runs: RunColumns = field(default_factory=RunColumns)
    failed: FailedReadings = field(default_factory=FailedReadings)
    numbers: dict[str, int] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    standing: UnitStanding = field(default_factory=UnitStanding)
    noted: int = 0
    heads: Heads = field(default_factory=dict)


class FollowedLogbook:
    """A logbook that many ask at once; every method may be called from any thread."""

    def __init__(self, book: Logbook) -> None:
        self._book = book
        self._lock, self._keeping, self._declaring = threading.Lock(), threading.Lock(), threading.Lock()
        self._declared = (0, DeclaredColumns())  # with the epoch that they are of
        self._reading: defaultdict[str, threading.Lock] = defaultdict(threading.Lock)  # by name
        self._kept: OrderedDict[str, tuple[int, ReadingColumns]] = OrderedDict()
        self._now = FollowedRuns()
        self._rules: dict[str, RetestRule | None] = {}
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
            before = self._now
            if new is None:
                self._now = replace(_everything(connection, before.epoch + 1), noted=before.noted + 1)
            else:
                self._now = _with_new(connection, before, [link.run for link in new if link.kind == RUN])
                if any(link.kind != RUN for link in new):
                    self._now = replace(self._now, noted=before.noted + 1)
            self._now = replace(self._now, heads=found, standing=self._standing(connection, self._now, before))
            self._is_read = True
            return self._now

    def _standing(self, connection: Connection, now: FollowedRuns, before: FollowedRuns) -> UnitStanding:
        """The rules of recipes that are new, and the notes of the line where there are others."""
        for sha256 in now.runs.lists["recipe_sha256"].words:
            if sha256 not in self._rules:
                text = connection.execute(select(texts.c.text).where(texts.c.sha256 == sha256)).scalar_one_or_none()
                self._rules[sha256] = None if text is None else retest_rule_in(text)
        rules = {sha256: rule for sha256, rule in self._rules.items() if rule is not None}
        if now.noted == before.noted:
            return replace(before.standing, rules=rules)
        notes = notes_on(connection, where=self._book.where)
        return UnitStanding(rules, tuple(notes), in_quarantine(notes))

    def readings(self, at: FollowedRuns, name: str) -> ReadingColumns:
        """Every reading of that name in the runs that were known at that moment; later runs may be in it too.

        Raises
        ------
        StorageFault : the database cannot be read.
        """
        with self._keeping:
            lock = self._reading[name]
        with lock:  # one reads them for all who wait; those of other names do not wait
            with self._keeping:
                epoch, known = self._kept.pop(name, (at.epoch, ReadingColumns()))
            if epoch != at.epoch:
                known = ReadingColumns()
            if known.runs < len(at.runs):
                with self._book.reading() as connection:
                    known = _more_readings(connection, name, known, at)
            with self._keeping:
                self._kept[name] = at.epoch, known
                while len(self._kept) > 1 and sum(one.size for _, one in self._kept.values()) > MOST_KEPT:
                    self._kept.popitem(last=False)
            return known

    def declared(self, at: FollowedRuns) -> DeclaredColumns:
        """The declared fields of the runs that were known at that moment; those of later runs may be in it too.

        Raises
        ------
        StorageFault : the database cannot be read.
        """
        with self._declaring:
            known = self.declared_so_far(at)
            first, last = known.runs, len(at.runs)
            if first < last:
                ids = at.runs.ids[first:last] if first else None
                found = {
                    number: fields
                    for run, fields in every_declared(self._book, ids).items()
                    if first <= (number := at.numbers.get(run, -1)) < last
                }
                known = known.extended(found, runs=last)
                self._declared = at.epoch, known
            return known

    def declared_so_far(self, at: FollowedRuns) -> DeclaredColumns:
        """Those that were read already: of none of the runs, or not of all."""
        epoch, known = self._declared
        return known if epoch == at.epoch else DeclaredColumns()


def _heads(connection: Connection) -> Heads:
    return {row.station: (row.length, row.sha256) for row in connection.execute(select(heads))}


def _new_links(connection: Connection, before: Heads, after: Heads) -> list[Any] | None:
    """The links that the chains have more; None where they show anything else than new runs, and notes of the line."""
    if set(before) - set(after):
        return None
    found: list[Any] = []
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
        if any(row.kind not in (RUN, *BESIDE) for row in new):
            return None
        found += new
    return found


def _everything(connection: Connection, epoch: int) -> FollowedRuns:
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
    return FollowedRuns(epoch, runs, FailedReadings().extended(failed), numbers, _units(connection))


def _with_new(connection: Connection, before: FollowedRuns, new: Sequence[str]) -> FollowedRuns:
    if not new:
        return before
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
    return replace(before, runs=runs, failed=before.failed.extended(failed), units=units)


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
