"""The chain of each station: a link for every run that was entered, with hashes of its rows and of the link before.

A row that is changed no longer has the hash in its link; a run that is deleted leaves its link, one that is slipped in
has none; a link that is changed, deleted or slipped in does not fit its neighbours; links cut off at the end are missed
by the head, which counts them. What the database alone cannot show is somebody who writes the whole chain of a station
anew, hashes and head included: for that the hash of a head is written down somewhere else, and compared later.

Notes are links too: where the chain begins, with how many runs were there before, which runs `prune` took out, of which
it took the captures, by what rule and when, what happened at the line (`line_notes.py`), and what was attached to a run
later (`later_attachments.py`).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from operator import itemgetter
from types import MappingProxyType
from typing import Any

from sqlalchemy import Connection, Table, delete, func, insert, select, update

from wavewright.logbook.database import insert_rows
from wavewright.logbook.rows import Row, origins_of
from wavewright.logbook.tables import captures, heads, links, outcomes, readings, texts

BEGUN, RUN, TAKEN_OUT, CODES_OUT, LINE = "begun", "run", "taken_out", "codes_out", "line"
ATTACHED = "attached"
NOTHING_BEFORE = "0" * 64
_ENCODER = json.JSONEncoder(default=repr, check_circular=False, separators=(",", ":"))
CHUNK = 400  # runs, or names in a note, at once


@dataclass(frozen=True, slots=True)
class Coverage:
    """Which columns the three hashes of a link cover, in this order."""

    row: tuple[str, ...]
    readings: tuple[str, ...]
    captures: tuple[str, ...]


# A new column is covered from a new number on; a number that was released is never changed, for its hashes are kept.
COVERAGE: Mapping[int, Coverage] = MappingProxyType(
    {
        1: Coverage(
            row=(
                *("id", "started", "ended", "verdict", "title", "recipe", "recipe_sha256", "part", "serial"),
                *("operator", "station", "batch", "document"),
            ),
            readings=(
                *("outcome", "name", "started", "metric", "value", "unit", "uncertainty", "low", "high", "margin"),
                "verdict",
            ),
            captures=("outcome", "label", "sha256", "shots"),
        ),
        2: Coverage(
            row=(
                *("id", "started", "ended", "verdict", "title", "recipe", "recipe_sha256", "part", "serial"),
                *("operator", "station", "batch", "simulated", "document"),
            ),
            readings=(
                *("outcome", "name", "started", "metric", "value", "unit", "uncertainty", "low", "high", "margin"),
                "verdict",
            ),
            captures=("outcome", "label", "sha256", "shots"),
        ),
    }
)
NEWEST = max(COVERAGE)


@dataclass(frozen=True, slots=True)
class ChainEntry:
    """What a link is about: a run with the hashes of its rows, or a note."""

    station: str
    kind: str
    run: str = ""
    row_sha256: str = ""
    readings_sha256: str = ""
    captures_sha256: str = ""
    note: str = ""
    coverage: int = NEWEST


def run_entry(
    row: Mapping[str, Any],
    its_readings: Iterable[Mapping[str, Any]],
    its_captures: Iterable[Mapping[str, Any]],
    *,
    coverage: int = NEWEST,
) -> ChainEntry:
    """The entry of one run, from its rows as the tables hold them, in any order."""
    covered = COVERAGE[coverage]
    return ChainEntry(
        row["station"],
        RUN,
        row["id"],
        _row_digest(row, covered.row),
        _digest(its_readings, covered.readings),
        _digest(its_captures, covered.captures),
        coverage=coverage,
    )


def note_of(**words: object) -> str:
    """The text of a note, with the time."""
    return json.dumps({"at": datetime.now(UTC).isoformat(timespec="seconds"), **words})


def append(connection: Connection, entries: Iterable[ChainEntry]) -> None:
    """Append links to the heads of their stations; a chain that is not there begins.

    Parameters
    ----------
    connection : in a transaction that writes, so that nobody else does.
    """
    for station, ours in groupby(sorted(entries, key=lambda entry: entry.station), key=lambda entry: entry.station):
        head = connection.execute(select(heads).where(heads.c.station == station).with_for_update()).one_or_none()
        length, last = (head.length, head.sha256) if head is not None else (0, NOTHING_BEFORE)
        new = list(ours)
        if not length and new[0].kind != BEGUN:
            new.insert(0, ChainEntry(station, BEGUN, note=note_of(taken_up=0)))
        rows = _linked(new, length, last)
        insert_rows(connection, links, rows, count=len(rows))
        now = {"length": length + len(rows), "sha256": rows[-1]["sha256"]}
        if head is None:
            connection.execute(insert(heads).values(station=station, **now))
        else:
            connection.execute(update(heads).where(heads.c.station == station).values(**now))


def note_taken_out(
    connection: Connection,
    runs: Sequence[tuple[str, str]],
    *,
    rule: str,
    kind: str = TAKEN_OUT,
    attached: Mapping[str, Iterable[str]] = MappingProxyType({}),
) -> None:
    """Write down which runs, given as station and id, are taken out rightly.

    Parameters
    ----------
    rule : which were to go, in words; kind : CODES_OUT where only their captures go, and the runs stay.
    attached : the hashes of the attached files that go with a run, by its id.
    """
    by_station: dict[str, list[str]] = {}
    for station, run in runs:
        by_station.setdefault(station, []).append(run)
    append(
        connection,
        [
            ChainEntry(station, kind, note=_taken_out(rule, ids[first : first + CHUNK], attached))
            for station, ids in by_station.items()
            for first in range(0, len(ids), CHUNK)
        ],
    )


def _taken_out(rule: str, ids: Sequence[str], attached: Mapping[str, Iterable[str]]) -> str:
    files = sorted({sha256 for run in ids for sha256 in attached.get(run, ())})
    return note_of(rule=rule, runs=ids, **({"attached": files} if files else {}))


def runs_without_codes(connection: Connection) -> set[str]:
    """The runs whose captures `prune` took by a rule."""
    notes = connection.execute(select(links.c.note).where(links.c.kind == CODES_OUT)).scalars()
    return {run for note in notes for run in json.loads(note)["runs"]}


def codes_taken_from(connection: Connection, run: str) -> str:
    """When and by what rule `prune` took the captures of a run, in words; empty if it did not."""
    note = codes_out_of(connection, run)
    return "" if note is None else f"deleted by `wavewright logbook prune` on {note['at']} (rule: {note['rule']})"


def codes_out_of(connection: Connection, run: str) -> Mapping[str, str] | None:
    """When, `at`, and by what `rule` `prune` took the captures of a run; None if it did not."""
    query = select(links.c.note).where(links.c.kind == CODES_OUT, links.c.note.contains(run, autoescape=True))
    for note in map(json.loads, connection.execute(query).scalars()):
        if run in note["runs"]:
            return {"at": note["at"], "rule": note["rule"]}
    return None


def take_up(connection: Connection, *, coverage: int) -> None:
    """Begin the chains of a logbook that had none, with all the runs that are in it, as they are now."""
    counts = connection.execute(select(outcomes.c.station, func.count()).group_by(outcomes.c.station)).all()
    append(
        connection,
        [ChainEntry(station, BEGUN, note=note_of(taken_up=count), coverage=coverage) for station, count in counts],
    )
    drop_unused_texts(connection)
    order = (outcomes.c.started, outcomes.c.id)
    ids = list(connection.execute(select(outcomes.c.id).order_by(*order)).scalars())
    for first in range(0, len(ids), CHUNK):
        found = whole_runs(connection, ids[first : first + CHUNK], coverage=coverage)
        append(connection, [run_entry(*rows, coverage=coverage) for rows in found])


def drop_unused_texts(connection: Connection) -> None:
    """Take out the texts of recipes, benches, profiles and files of corrections that no run was made from."""
    used: set[str] = set()
    found = connection.execute(select(outcomes.c.document), execution_options={"yield_per": 500})
    for document in found.scalars():
        try:
            plain = json.loads(document)
            used |= {origin["sha256"] for origin in origins_of(plain)}
        except (ValueError, KeyError, TypeError, AttributeError):
            return  # which texts it needs cannot be said: all of them stay
    unused = [key for key in connection.execute(select(texts.c.sha256)).scalars() if key not in used]
    for first in range(0, len(unused), CHUNK):
        connection.execute(delete(texts).where(texts.c.sha256.in_(unused[first : first + CHUNK])))


def whole_runs(
    connection: Connection, ids: Sequence[str], *, coverage: int = NEWEST
) -> Iterator[tuple[Row, list[Row], list[Row]]]:
    """The rows of runs, as far as a coverage has their columns: that of the run, its readings, its captures."""
    covered = COVERAGE[coverage]
    for first in range(0, len(ids), CHUNK):
        some = ids[first : first + CHUNK]
        rows = {row["id"]: row for row in _rows(connection, outcomes, covered.row, "id", some)}
        below: dict[str, tuple[list[Row], list[Row]]] = {identifier: ([], []) for identifier in rows}
        for place, (table, columns) in enumerate(((readings, covered.readings), (captures, covered.captures))):
            for row in _rows(connection, table, columns, "outcome", some):
                if row["outcome"] in below:
                    below[row["outcome"]][place].append(row)
        for identifier in some:
            if identifier in rows:
                yield rows[identifier], *below[identifier]


def link_sha256(link: Mapping[str, Any]) -> str:
    """The hash that a link has from all that it says, the hash of the link before included."""
    return hashlib.sha256(_text([link[column.name] for column in links.columns if column.name != "sha256"])).hexdigest()


def _linked(entries: Iterable[ChainEntry], length: int, last: str) -> list[Row]:
    rows = []
    for position, entry in enumerate(entries, length):
        row = {name: getattr(entry, name) for name in ChainEntry.__slots__}
        row |= {"position": position, "previous": last}
        row["sha256"] = last = link_sha256(row)
        rows.append(row)
    return rows


def _rows(connection: Connection, table: Table, columns: Sequence[str], key: str, values: Sequence[str]) -> list[Row]:
    query = select(*(table.c[name] for name in columns)).where(table.c[key].in_(values))
    return [dict(row) for row in connection.execute(query).mappings()]


def _row_digest(row: Mapping[str, Any], columns: Sequence[str]) -> str:
    """Hash of one row whose last column is a document; that is text already, and long."""
    *others, document = columns
    digest = hashlib.sha256(_text([row[name] for name in others]))
    digest.update(str(row[document]).encode(errors="surrogatepass"))
    return digest.hexdigest()


def _digest(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> str:
    """Hash of some columns of some rows; in whatever order a database gives them."""
    return hashlib.sha256(_text(sorted(map(itemgetter(*columns), rows), key=_key))).hexdigest()


def _key(values: Sequence[Any]) -> str:
    """Orders the rows of one run: by the name of the reading, or the label of the captures."""
    return str(values[1])


def _text(values: object) -> bytes:
    """One text for the same values, whichever database they were in; what no table of ours holds has one too."""
    return _ENCODER.encode(values).encode()
