"""Notes of the line: what happened beside the runs, appended to the chain of the station and never changed.

A rule of a batch called, a unit was set apart or released, a golden unit was measured, somebody ordered a retest more,
a batch was begun with declared fields or got other ones.
While the logbook is away they wait in the spool, and count on this station all the same.

    outcomes/spool/note-1f2e3d4c….json  a note, as `forward` enters it
"""

from __future__ import annotations

import hashlib
import json
import secrets
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, select

from wavewright.durable_files import take_away, write_whole
from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import LINE, ChainEntry, append
from wavewright.logbook.spool_folder import NOTES
from wavewright.logbook.tables import links

CHUNK = 400  # ids asked for at once
AWAY = 30.0  # s; after which a logbook that did not answer is asked again


class NoteKind(StrEnum):
    """What a note is about."""

    LIMITS = "limits"
    CALL = "call"
    ANSWER = "answer"
    RETEST = "retest"
    QUARANTINE = "quarantine"
    RELEASE = "release"
    GOLDEN = "golden"
    DECLARED = "declared"


@dataclass(frozen=True, slots=True)
class LineNote:
    """One note.

    Parameters
    ----------
    at : when, UTC; station : whose chain it is in; operator : who did it; empty where a rule did.
    says : what happened, as plain words and numbers; its keys are those of the kind.
    id : no other note has it; a note that follows from runs has one that follows from them, so that two stations that
        find the same enter it once.
    """

    kind: NoteKind
    at: datetime
    station: str
    operator: str
    says: Mapping[str, Any]
    id: str = field(default_factory=lambda: secrets.token_hex(16))

    def as_json(self) -> dict[str, Any]:
        """As it is kept."""
        return {
            "at": self.at.isoformat(), "id": self.id, "about": str(self.kind), "operator": self.operator,
            "says": dict(self.says),
        }  # fmt: skip

    @classmethod
    def from_json(cls, plain: Mapping[str, Any], station: str) -> LineNote:
        """The note that `as_json` made this of; ValueError, KeyError or TypeError where it is none."""
        return cls(
            NoteKind(plain["about"]), datetime.fromisoformat(plain["at"]), station, str(plain["operator"]),
            dict(plain["says"]), str(plain["id"]),
        )  # fmt: skip


def id_from(*words: object) -> str:
    """The id of a note that follows from these words."""
    return hashlib.sha256(json.dumps([str(word) for word in words]).encode()).hexdigest()[:32]


def note_now(kind: NoteKind, *, station: str, operator: str = "", id: str = "", **says: Any) -> LineNote:
    """A note of this moment."""
    note = LineNote(kind, datetime.now(UTC), station, operator, says)
    return replace(note, id=id) if id else note


def enter_notes(book: Logbook, notes: Sequence[LineNote]) -> int:
    """Append notes to the chains of their stations, each once; returns how many are new.

    Raises
    ------
    StorageFault : the logbook does not take them; none of them is in it then.
    """
    with book.writing() as connection:
        known = _known(connection, [note.id for note in notes])
        new = list({note.id: note for note in notes if note.id not in known}.values())
        if new:
            append(connection, note_entries(new))
    return len(new)


def note_entries(notes: Iterable[LineNote]) -> list[ChainEntry]:
    """Notes as links of the chains of their stations."""
    return [
        ChainEntry(note.station, LINE, note.id, note=json.dumps(note.as_json(), ensure_ascii=False)) for note in notes
    ]


def notes_in(book: Logbook, kind: NoteKind | None = None) -> list[LineNote]:
    """Every note of a logbook, oldest first; those of one kind, if it is given.

    Raises
    ------
    StorageFault : it cannot be read, or a note is not what was written.
    """
    with book.reading() as connection:
        found = notes_on(connection, where=book.where)
    return [note for note in found if kind is None or note.kind is kind]


def notes_on(connection: Connection, *, where: str) -> list[LineNote]:
    """Every note of a logbook, oldest first; as `notes_in`.

    Parameters
    ----------
    where : the logbook, for errors.
    """
    rows = connection.execute(select(links.c.station, links.c.note).where(links.c.kind == LINE)).all()
    try:
        found = [LineNote.from_json(json.loads(row.note), row.station) for row in rows]
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise StorageFault(
            f"a note of the line is not what was written: {type(fault).__name__}: {fault}",
            where=where,
            do="`wavewright logbook verify` says what has changed",
        ) from fault
    return in_order(found)


def in_order(notes: Iterable[LineNote]) -> list[LineNote]:
    """Each note once, oldest first."""
    return sorted({note.id: note for note in notes}.values(), key=lambda note: (note.at, note.id))


def _count(book: Logbook) -> int:
    with book.reading() as connection:
        query = select(func.count()).select_from(links).where(links.c.kind == LINE)
        return int(connection.execute(query).scalar_one())


def _known(connection: Connection, ids: Sequence[str]) -> set[str]:
    found: set[str] = set()
    for first in range(0, len(ids), CHUNK):
        some = links.c.run.in_(ids[first : first + CHUNK])
        found |= set(connection.execute(select(links.c.run).where(links.c.kind == LINE, some)).scalars())
    return found


class LineJournal:
    """The notes of a logbook, to be read and written also while it is away.

    Parameters
    ----------
    book : None where it is away from the beginning; spool : folder for what it does not take.
    identity : of the logbook, so that what waits is entered into no other.
    """

    def __init__(self, book: Logbook | None, spool: Path, *, identity: str) -> None:
        self._book, self._spool, self._identity = book, spool, identity
        self._seen: list[LineNote] = []
        self._count = -1
        self._away_since: float | None = None

    @property
    def book(self) -> Logbook | None:
        """The logbook; None while it is away: one that did not answer is asked again after half a minute only.

        A server that is silent is given up late, and each unit of a batch would wait for that several times.
        """
        is_away = self._away_since is not None and time.monotonic() - self._away_since < AWAY
        return None if is_away else self._book

    def is_away(self) -> None:
        """The logbook did not answer just now."""
        self._away_since = time.monotonic()

    def write(self, *notes: LineNote) -> bool:
        """Append notes; whether the logbook took them, and they do not wait.

        Raises
        ------
        StorageFault : neither the logbook nor the spool takes them.
        """
        self._seen += notes
        if (book := self.book) is not None:
            try:
                enter_notes(book, notes)
                return True
            except StorageFault:
                self.is_away()
        self.put_aside(notes)
        return False

    def put_aside(self, notes: Iterable[LineNote]) -> None:
        """Let notes wait in the spool; StorageFault if it does not take them."""
        for note in notes:
            self._put_aside(note)

    def notes(self) -> list[LineNote]:
        """Every note that is known here, oldest first: of the logbook, as it was last seen, and of the spool."""
        if (book := self.book) is not None:
            try:
                count = _count(book)
                if count != self._count:  # a note is never changed: as many as before are the same
                    self._seen = in_order([*self._seen, *notes_in(book)])
                    self._count = count
            except StorageFault:
                self.is_away()
        return in_order([*self._seen, *waiting_notes(self._spool, self._identity)])

    def _put_aside(self, note: LineNote) -> None:
        path = self._spool / f"note-{note.id}.json"
        text = json.dumps({"logbook": self._identity, "station": note.station, "note": note.as_json()})
        try:
            self._spool.mkdir(parents=True, exist_ok=True)
            write_whole(path, text)
        except OSError as fault:
            raise StorageFault(
                f"a note of the line cannot be put into the spool: {fault.strerror or fault}",
                where=str(path),
                do="free space, or name another folder with --out",
            ) from fault


def waiting_notes(spool: Path, identity: str) -> list[LineNote]:
    """The notes that wait in a spool for a logbook; a file that cannot be read is left where it is."""
    return [note for _, note in _waiting(spool, identity) if note is not None]


def forward_notes(book: Logbook, spool: Path) -> list[str]:
    """Enter what waits for a logbook, and take it out of the spool; returns what could not be entered, and why.

    Raises
    ------
    StorageFault : the logbook cannot be reached.
    """
    faults = []
    for path, note in _waiting(spool, book.identity):
        if note is None:
            faults.append(f"{path}: not a note of the line; it stays")
            continue
        enter_notes(book, [note])
        try:
            take_away(path)
        except OSError as fault:
            faults.append(f"{path}: it was entered, and cannot be deleted: {fault.strerror or fault}")
    return faults


def _waiting(spool: Path, identity: str) -> list[tuple[Path, LineNote | None]]:
    found: list[tuple[Path, LineNote | None]] = []
    for path in sorted(spool.glob(NOTES)):
        try:
            plain = json.loads(path.read_text(encoding="utf-8"))
            if plain["logbook"] == identity:
                found.append((path, LineNote.from_json(plain["note"], str(plain["station"]))))
        except FileNotFoundError:  # another process has forwarded it
            continue
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            found.append((path, None))
    return found
