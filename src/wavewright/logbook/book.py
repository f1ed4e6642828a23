"""The logbook: every outcome in a database, its raw codes beside it in files named by their content.

An outcome is written in one transaction, after its codes are on the disk: a process that is killed at any moment
leaves the run whole or absent; at worst a file of codes that no run refers to, which `prune` takes away.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, select

from wavewright.errors import Misuse, StorageFault
from wavewright.logbook import tables
from wavewright.logbook.address import read_address
from wavewright.logbook.arrivals import arrival, enter_arrivals, only_new_ones
from wavewright.logbook.chain import ChainEntry, append, codes_taken_from
from wavewright.logbook.code_store import CodeStore
from wavewright.logbook.database import Database
from wavewright.logbook.later_attachments import attached_later
from wavewright.logbook.migrations import NEWEST_LAYOUT, bring_up_to_date, layout_version
from wavewright.logbook.outcome_files import outcome_from_json
from wavewright.logbook.rows import origins_of
from wavewright.logbook.shared_store import VARIABLE, SharedStore
from wavewright.running.outcome import Outcome


class Logbook:
    """An open logbook; use it as a `with` block, or close it.

    Parameters
    ----------
    where : path of an SQLite file, or the URL of a PostgreSQL database; the user's own logbook if not given. A file
        that is not there is made.
    captures : folder or URL of a store that several computers share the raw codes in; that of WAVEWRIGHT_CAPTURES, or
        else the one that the logbook remembers.
    codes : folder of the raw codes on this computer; beside the file, or for a URL in the user's data folder, if not
        given.
    read_only : the database itself refuses every change.

    Raises
    ------
    StorageFault : the database cannot be opened, or is not a logbook.
    Misuse : the URL is none, or the driver for PostgreSQL is not installed.

    Attributes
    ----------
    where : path or URL, without the password; identity : the same, with the whole path.
    reading : a block with a connection on which everything read belongs to one moment.
    writing : a block with a transaction: all of it when it ends well, nothing otherwise; one writer at a time.
    """

    def __init__(
        self,
        where: str | Path | None = None,
        *,
        captures: str | Path | None = None,
        codes: Path | None = None,
        read_only: bool = False,
    ) -> None:
        address = read_address(where)
        if not read_only:
            address.make_folder()
        self.where, self.identity = address.shown, address.identity
        named = captures or os.environ.get(VARIABLE)
        self._store = SharedStore(str(named)) if named else None
        self._database = Database(address, read_only=read_only)
        self.reading, self.writing = self._database.reading, self._database.writing
        with self.reading() as connection:  # who may only read can open what is up to date
            found = layout_version(connection, where=self.where)
        if found != NEWEST_LAYOUT:
            if read_only:
                raise _old_layout(found, self.where)
            self._lay_out(found)
        with self.reading() as connection:
            remembered = [row.url for row in connection.execute(select(tables.stores).order_by(tables.stores.c.since))]
        first = [] if self._store is None else [self._store]
        known = [SharedStore(url) for url in remembered if self._store is None or url != self._store.where]
        self.codes = CodeStore(codes or address.captures, [*first, *reversed(known)])
        self._is_remembered = self._store is None or self._store.where in remembered

    def _lay_out(self, found: int) -> None:
        """Lay out an empty database, or bring an older one up to date; whoever waited for another finds it done."""
        try:
            with self.writing() as connection:
                bring_up_to_date(connection, where=self.where)
        except StorageFault as fault:
            if "permission denied" not in fault.what and "must be owner" not in fault.what:
                raise
            raise StorageFault(
                f"the logbook has layout {found}, and this user has no right to bring it to layout {NEWEST_LAYOUT}",
                where=self.where,
                do="run `wavewright logbook rights` once as the owner of the database",
            ) from fault

    @classmethod
    def existing(
        cls, where: str | Path | None = None, *, captures: str | Path | None = None, read_only: bool = False
    ) -> Self:
        """A logbook for those who only read: like `Logbook(where)`, but a file that is not there is not made.

        Raises
        ------
        StorageFault : there is no such file, or as for `Logbook`.
        """
        address = read_address(where)
        if address.is_file and not Path(address.shown).exists():
            raise StorageFault(
                "there is no logbook here",
                where=address.shown,
                expected="the file of a logbook",
                do="check --logbook; `wavewright run` makes a logbook when it enters its first outcome",
            )
        return cls(where, captures=captures, read_only=read_only)

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
        station : test station; batch : name of the batch that the unit belongs to.

        Raises
        ------
        StorageFault : the disk or the database does not take it; nothing of it is in the logbook then.
        """
        return self.enter_all([outcome], station=station, batch=batch)[0]

    def enter_all(self, outcomes: Iterable[Outcome], *, station: str = "", batch: str = "") -> list[str]:
        """Write many outcomes in one transaction; returns their ids. All of them or none are in afterwards."""
        return self.enter_named((new_id(outcome), outcome, station, batch) for outcome in outcomes)

    def enter_named(
        self,
        outcomes: Iterable[tuple[str, Outcome, str, str]],
        *,
        only_new: bool = False,
        beside: Iterable[ChainEntry] = (),
    ) -> list[str]:
        """Like `enter_all`, for outcomes that come with id, station and batch, as from another logbook.

        Parameters
        ----------
        only_new : leave out those that are in the logbook already, by their id or by start, serial number and recipe.
            That is asked within the transaction: of two who enter the same at once, one does.
        beside : what the chains are to say after them, in the same transaction.
        """
        arrivals = [arrival(self.codes, *one) for one in outcomes]
        with self.writing() as connection:
            if only_new:
                arrivals = only_new_ones(connection, arrivals)
            enter_arrivals(connection, self.codes, arrivals)
            append(connection, beside)
            if self._store is not None and not self._is_remembered and arrivals:
                remember(connection, self._store.where)
        self._is_remembered = self._is_remembered or bool(arrivals)
        return [one.id for one in arrivals]

    def outcome(self, name: str) -> Outcome:
        """One outcome whole; its captures are read from their files when asked for.

        Parameters
        ----------
        name : an id, the beginning of one, or `last`.

        Raises
        ------
        Misuse : there is none of that name, or more than one.
        StorageFault : it has been changed since, and cannot be read any more.
        """
        with self.reading() as connection:
            identifier = find_id(connection, name)
            document = connection.execute(
                select(tables.outcomes.c.document).where(tables.outcomes.c.id == identifier)
            ).scalar_one()
            kept = connection.execute(select(tables.captures).where(tables.captures.c.outcome == identifier)).all()
            try:
                later = attached_later(connection, identifier)
                outcome = outcome_from_json(_with_texts(json.loads(document), connection))
                described = {row.label: (row.sha256, json.loads(row.shots)) for row in kept}
            except (ValueError, KeyError, TypeError, AttributeError) as fault:
                raise StorageFault(
                    f"run {identifier} is not what was written: {type(fault).__name__}: {fault}",
                    where=self.where,
                    do="`wavewright logbook verify` says what has changed; take it from a copy of the logbook",
                ) from fault
            is_away = any(not self.codes.path(content).exists() for content, _ in described.values())
            taken = codes_taken_from(connection, identifier) if is_away else ""
        locate = self.codes.files.locate
        attachments, added = (
            tuple(replace(one, locate=locate) for one in those) for those in (outcome.attachments, later)
        )
        outcome = replace(outcome, attachments=attachments, added=added)
        captures = {
            label: self.codes.shots(content, shots, taken=taken) for label, (content, shots) in described.items()
        }
        return replace(outcome, captures=captures, id=identifier)


def _old_layout(found: int, where: str) -> StorageFault:
    return StorageFault(
        f"the logbook has layout {found}, and is opened for reading alone",
        where=where,
        expected=f"layout {NEWEST_LAYOUT}",
        do="run `wavewright logbook list` on it once, as a user who may write"
        if found < NEWEST_LAYOUT
        else "use the newer Wavewright that wrote it",
    )


def remember(connection: Connection, url: str) -> None:
    """Write down where captures of this logbook are, so that whoever opens it finds them."""
    known = connection.execute(select(tables.stores.c.url).where(tables.stores.c.url == url)).first()
    if known is None:
        connection.execute(tables.stores.insert().values(url=url, since=tables.microseconds(datetime.now(UTC))))


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
    if connection.execute(select(column).where(column == name)).first() is not None:
        return name  # out of the index; for the beginning of an id all of them are looked through
    if name == "last":
        query = select(column).order_by(tables.outcomes.c.started.desc(), column.desc()).limit(1)
    else:
        query = select(column).where(column.startswith(name, autoescape=True)).order_by(column).limit(4)
    found = list(connection.execute(query).scalars())
    if len(found) == 1:
        return str(found[0])
    raise Misuse(
        f"no run `{name}` in the logbook" if not found else f"`{name}` is the beginning of several runs",
        expected=", ".join(found) if found else "the id of a run, its beginning, or `last`",
        do="" if found else "`wavewright logbook list` shows them",
    )


def _with_texts(document: dict[str, Any], connection: Connection) -> dict[str, Any]:
    wanted = {origin["sha256"] for origin in origins_of(document)}
    query = select(tables.texts.c.sha256, tables.texts.c.text).where(tables.texts.c.sha256.in_(wanted))
    texts = {row.sha256: row.text for row in connection.execute(query)}
    for origin in origins_of(document):
        origin["text"] = texts[origin["sha256"]]
    return document
