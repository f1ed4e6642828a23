"""Outcomes on their way into a logbook: whether they are new, and their rows, made while those before are written."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, select

from wavewright.logbook.chain import CHUNK, ChainEntry, append, run_entry
from wavewright.logbook.code_store import CodeStore
from wavewright.logbook.database import insert_rows
from wavewright.logbook.later_attachments import links_of
from wavewright.logbook.outcome_files import outcome_as_json
from wavewright.logbook.rows import Row, document_text, origins_of, outcome_row, reading_rows
from wavewright.logbook.tables import captures, microseconds, outcomes, readings, texts
from wavewright.running.outcome import Outcome
from wavewright.waveform import Capture

AT_ONCE = 1000  # outcomes whose rows are in memory


@dataclass(frozen=True, slots=True)
class Arrival:
    """An outcome that is to be entered; its codes are kept already.

    Parameters
    ----------
    captures : its rows of that table; shots : the same by their hash.
    """

    id: str
    outcome: Outcome
    station: str
    batch: str
    captures: tuple[Row, ...] = ()
    shots: Mapping[str, Sequence[Capture]] = field(default_factory=dict, repr=False)

    @property
    def mark(self) -> tuple[int, str, str]:
        """Start, serial number and recipe: what no two runs share."""
        return microseconds(self.outcome.started), self.outcome.serial, self.outcome.recipe.sha256


def arrival(codes: CodeStore, identifier: str, outcome: Outcome, station: str, batch: str) -> Arrival:
    """Keep the codes of an outcome, before anything of it is written into the database.

    Raises
    ------
    StorageFault : the disk does not take them.
    """
    rows, kept = [], {}
    for label, shots in outcome.captures.items():
        content, described = codes.add(shots)
        kept[content] = shots
        words = json.dumps(described, ensure_ascii=False)
        rows.append({"outcome": identifier, "label": label, "sha256": content, "shots": words})
    _keep_files(codes, outcome)
    return Arrival(identifier, outcome, station, batch, tuple(rows), kept)


def _keep_files(codes: CodeStore, outcome: Outcome) -> None:
    for one in (*outcome.attachments, *outcome.added):
        if not one.is_note and one.is_here and not codes.files.path(one.sha256).exists():
            codes.files.add(one.sha256, one.read())


def only_new_ones(connection: Connection, arrivals: Sequence[Arrival]) -> list[Arrival]:
    """Those that are neither in the logbook nor come a second time, by their id or their mark.

    Parameters
    ----------
    connection : in the transaction that is going to enter them, so that nobody else does meanwhile.
    """
    ids: set[str] = set()
    marks: set[tuple[int, str, str]] = set()
    for first in range(0, len(arrivals), CHUNK):
        some = arrivals[first : first + CHUNK]
        query = select(outcomes.c.id, outcomes.c.started, outcomes.c.serial, outcomes.c.recipe_sha256).where(
            outcomes.c.id.in_([one.id for one in some]) | outcomes.c.started.in_([one.mark[0] for one in some])
        )
        for there in connection.execute(query):
            ids.add(there.id)
            marks.add((there.started, there.serial, there.recipe_sha256))
    new = []
    for one in arrivals:
        if one.id not in ids and one.mark not in marks:
            new.append(one)
            ids.add(one.id)
            marks.add(one.mark)
    return new


def enter_arrivals(connection: Connection, codes: CodeStore, arrivals: Sequence[Arrival]) -> None:
    """Write them, and their links into the chains.

    Parameters
    ----------
    connection : in a transaction that writes. `prune` holds the same lock: codes that it took since they were kept are
        kept once more.
    """
    for first in range(0, len(arrivals), AT_ONCE):
        some = arrivals[first : first + AT_ONCE]
        for one in some:
            for content, shots in one.shots.items():
                if not codes.path(content).exists():
                    codes.add(shots)
            _keep_files(codes, one.outcome)
        _enter_texts(connection, some)
        rest = _Rest()
        insert_rows(connection, outcomes, rest.left_by(some), count=len(some))
        insert_rows(connection, readings, rest.readings, count=len(rest.readings))
        insert_rows(connection, captures, rest.captures, count=len(rest.captures))
        append(connection, rest.entries)


def _enter_texts(connection: Connection, arrivals: Iterable[Arrival]) -> None:
    wanted = {origin.sha256: origin.text for one in arrivals for origin in one.outcome.origins}
    known = set(connection.execute(select(texts.c.sha256).where(texts.c.sha256.in_(wanted))).scalars())
    new = [{"sha256": key, "text": text} for key, text in wanted.items() if key not in known]
    insert_rows(connection, texts, new, count=len(new))


@dataclass(slots=True)
class _Rest:
    """What is to be written after the rows of the outcomes, which it belongs to."""

    readings: list[Row] = field(default_factory=list)
    captures: list[Row] = field(default_factory=list)
    entries: list[ChainEntry] = field(default_factory=list)

    def left_by(self, arrivals: Iterable[Arrival]) -> Iterator[Row]:
        """The row of each outcome, made when it is asked for; its rows of the other tables stay here."""
        for one in arrivals:
            document = _without_texts(outcome_as_json(one.outcome))
            row = outcome_row(one.id, document, station=one.station, batch=one.batch)
            row["document"] = document_text(document)
            its_readings = reading_rows(one.id, document)
            self.readings += its_readings
            self.captures += one.captures
            self.entries.append(run_entry(row, its_readings, one.captures))
            self.entries += links_of(one.id, one.station, one.outcome)
            yield row


def _without_texts(document: dict[str, Any]) -> dict[str, Any]:
    for origin in origins_of(document):
        del origin["text"]
    return document
