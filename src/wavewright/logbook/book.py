"""The logbook: every outcome in a database, its raw codes beside it in files named by their content.

An outcome is written in one transaction, after its codes are on the disk: a process that is killed at any moment
leaves the run whole or absent; at worst a file of codes that no run refers to, which `prune` takes away.
"""

from __future__ import annotations

import json
import math
import secrets
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, insert, select

from wavewright.errors import Misuse
from wavewright.logbook import tables
from wavewright.logbook.address import read_address
from wavewright.logbook.code_store import CodeStore
from wavewright.logbook.database import Database
from wavewright.logbook.migrations import bring_up_to_date
from wavewright.logbook.outcome_files import outcome_as_json, outcome_from_json
from wavewright.quantities import read_interval
from wavewright.running.outcome import Origin, Outcome, Result
from wavewright.waveform import Capture


class Logbook:
    """An open logbook; use it as a `with` block, or close it.

    Parameters
    ----------
    where : path of an SQLite file, or the URL of a PostgreSQL database; the user's own logbook if not given. A file
        that is not there is made.
    captures : folder of the raw codes; beside the file, or for a URL in the user's data folder, if not given.

    Raises
    ------
    StorageFault : the database cannot be opened, or is not a logbook.
    Misuse : the URL is none, or the driver for PostgreSQL is not installed.

    Attributes
    ----------
    where : path or URL, without the password.
    reading : a block with a connection on which everything read belongs to one moment.
    writing : a block with a transaction: all of it when it ends well, nothing otherwise; one writer at a time.
    """

    def __init__(self, where: str | Path | None = None, *, captures: Path | None = None) -> None:
        address = read_address(where)
        self.where = address.shown
        self.codes = CodeStore(captures or address.captures)
        self._database = Database(address)
        self.reading, self.writing = self._database.reading, self._database.writing
        with self.writing() as connection:
            bring_up_to_date(connection, where=self.where)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections to the database."""
        self._database.close()

    def enter(self, outcome: Outcome, *, station: str = "", batch: str = "") -> str:
        """Write one outcome with its captures; returns its id, which is new.

        Parameters
        ----------
        station : where the bench stands; batch : name of the batch that the unit belongs to.

        Raises
        ------
        StorageFault : the disk or the database does not take it; nothing of it is in the logbook then.
        """
        return self.enter_all([outcome], station=station, batch=batch)[0]

    def enter_all(self, outcomes: Iterable[Outcome], *, station: str = "", batch: str = "") -> list[str]:
        """Write many outcomes in one transaction; returns their ids. All of them or none are in afterwards."""
        return self.enter_named((new_id(outcome), outcome, station, batch) for outcome in outcomes)

    def enter_named(self, outcomes: Iterable[tuple[str, Outcome, str, str]]) -> list[str]:
        """Like `enter_all`, for outcomes that come with id, station and batch, as from another logbook."""
        rows = _Rows(self.codes)
        for identifier, outcome, station, batch in outcomes:
            rows.take(identifier, outcome, station, batch)
        with self.writing() as connection:
            rows.write(connection)
        return rows.ids

    def outcome(self, name: str) -> Outcome:
        """One outcome whole; its captures are read from their files when asked for.

        Parameters
        ----------
        name : an id, the beginning of one, or `last`.

        Raises
        ------
        Misuse : there is none of that name, or more than one.
        """
        with self.reading() as connection:
            identifier = find_id(connection, name)
            document = connection.execute(
                select(tables.outcomes.c.document).where(tables.outcomes.c.id == identifier)
            ).scalar_one()
            plain = _with_texts(json.loads(document), connection)
            kept = connection.execute(select(tables.captures).where(tables.captures.c.outcome == identifier)).all()
        captures: Mapping[str, Sequence[Capture]] = {
            row.label: self.codes.shots(row.sha256, json.loads(row.shots)) for row in kept
        }
        return replace(outcome_from_json(plain), captures=captures, id=identifier)


def new_id(outcome: Outcome) -> str:
    """An id that no other run has: the time of its start, readable and in order, and eight random digits."""
    return f"{outcome.started:%Y%m%d-%H%M%S}-{secrets.token_hex(4)}"


def find_id(connection: Connection, name: str) -> str:
    """The id that a name means: itself, one that begins with it, or the last one by time.

    Raises
    ------
    Misuse : none, or more than one.
    """
    column = tables.outcomes.c.id
    if name == "last":
        query = select(column).order_by(tables.outcomes.c.started.desc(), column.desc()).limit(1)
    else:
        query = select(column).where(column.startswith(name, autoescape=True)).order_by(column).limit(4)
    found = list(connection.execute(query).scalars())
    if name in found or len(found) == 1:
        return name if name in found else found[0]
    raise Misuse(
        f"no run `{name}` in the logbook" if not found else f"`{name}` is the beginning of several runs",
        expected=", ".join(found) if found else "the id of a run, its beginning, or `last`",
        do="" if found else "`wavewright logbook list` shows them",
    )


class _Rows:
    """What is to be inserted, table by table."""

    def __init__(self, codes: CodeStore) -> None:
        self.ids: list[str] = []
        self._codes = codes
        self._texts: dict[str, str] = {}
        self._outcomes: list[dict[str, Any]] = []
        self._readings: list[dict[str, Any]] = []
        self._captures: list[dict[str, Any]] = []
        self._shots: dict[str, Sequence[Capture]] = {}

    def take(self, identifier: str, outcome: Outcome, station: str, batch: str) -> None:
        started = tables.microseconds(outcome.started)
        for origin in (outcome.recipe, outcome.bench, *outcome.profiles.values()):
            self._texts[origin.sha256] = origin.text
        self.ids.append(identifier)
        self._outcomes.append(
            {
                "id": identifier,
                "started": started,
                "ended": tables.microseconds(outcome.ended),
                "verdict": str(outcome.verdict),
                "title": outcome.title,
                "recipe": _stem(outcome.recipe),
                "recipe_sha256": outcome.recipe.sha256,
                "part": outcome.part,
                "serial": outcome.serial,
                "operator": outcome.operator,
                "station": station,
                "batch": batch,
                "document": json.dumps(_without_texts(outcome_as_json(outcome)), ensure_ascii=False),
            }
        )
        self._readings += [_reading_row(identifier, started, name, result) for name, result in outcome.results.items()]
        for label, shots in outcome.captures.items():
            content, described = self._codes.add(shots)
            self._shots[content] = shots
            self._captures.append(
                {
                    "outcome": identifier,
                    "label": label,
                    "sha256": content,
                    "shots": json.dumps(described, ensure_ascii=False),
                }
            )

    def write(self, connection: Connection) -> None:
        """Insert it all. `prune` holds the same lock: codes that it took since they were kept are kept once more."""
        for content, shots in self._shots.items():
            if not self._codes.path(content).exists():
                self._codes.add(shots)
        known = set(
            connection.execute(select(tables.texts.c.sha256).where(tables.texts.c.sha256.in_(self._texts))).scalars()
        )
        new = [{"sha256": key, "text": text} for key, text in self._texts.items() if key not in known]
        for table, rows in (
            (tables.texts, new),
            (tables.outcomes, self._outcomes),
            (tables.readings, self._readings),
            (tables.captures, self._captures),
        ):
            if rows:
                connection.execute(insert(table), rows)


def _reading_row(identifier: str, started: int, name: str, result: Result) -> dict[str, Any]:
    low, high = _ends(result.limit, result.reading.unit)
    return {
        "outcome": identifier,
        "name": name,
        "started": started,
        "metric": result.metric,
        "value": result.reading.value,
        "unit": result.reading.unit,
        "uncertainty": result.reading.uncertainty,
        "low": low,
        "high": high,
        "margin": result.margin,
        "verdict": None if result.verdict is None else str(result.verdict),
    }


@lru_cache(maxsize=4096)
def _ends(limit: str, unit: str) -> tuple[float | None, float | None]:
    """The two ends of a limit as numbers; None for an open side, and where there is no limit."""
    if not limit:
        return None, None
    try:
        interval = read_interval(limit, unit=unit)
    except Misuse:  # the words stay in the document; only the columns for charts are empty
        return None, None
    return _finite(interval.low), _finite(interval.high)


def _finite(end: float) -> float | None:
    return end if math.isfinite(end) else None


def _stem(origin: Origin) -> str:
    return Path(origin.file).stem


def _origins(document: dict[str, Any]) -> list[dict[str, Any]]:
    return [document["recipe"], document["bench"], *document["profiles"].values()]


def _without_texts(document: dict[str, Any]) -> dict[str, Any]:
    for origin in _origins(document):
        del origin["text"]
    return document


def _with_texts(document: dict[str, Any], connection: Connection) -> dict[str, Any]:
    wanted = {origin["sha256"] for origin in _origins(document)}
    query = select(tables.texts.c.sha256, tables.texts.c.text).where(tables.texts.c.sha256.in_(wanted))
    texts = {row.sha256: row.text for row in connection.execute(query)}
    for origin in _origins(document):
        origin["text"] = texts[origin["sha256"]]
    return document
