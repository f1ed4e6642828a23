"""A backup of a logbook that is a file: a second one with its runs, captures and attachments, made while others write.

The rows are those of one moment (SQLite documentation, "SQLite Backup API" †). A backup made again to the same
place gets the new rows, and those captures that it does not have yet.
"""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, func, select

from wavewright.durable_files import whole_file
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.address import read_address
from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import runs_without_codes
from wavewright.logbook.code_store import CodeStore
from wavewright.logbook.later_attachments import attached_files
from wavewright.logbook.stored_shots import changed, content_of
from wavewright.logbook.tables import captures, heads, outcomes

_AT_ONCE = 256  # pages of the database that are copied before others get their turn
BESIDE = ("-wal", "-shm", "-journal")  # what SQLite puts beside a file that is in use


@dataclass(frozen=True, slots=True)
class BackedUp:
    """What a backup holds.

    Parameters
    ----------
    runs : in it; files : of captures that were copied now, and their bytes.
    missing : files of captures that the logbook itself does not have any more, by what was said of them.
    heads : of the chain of each station, to be written down elsewhere.
    """

    runs: int
    files: int
    size: int
    missing: tuple[str, ...]
    heads: dict[str, str]


def back_up(
    book: Logbook, target: str | Path, *, with_captures: bool = True, say: Callable[[int, int], None] = lambda *_: None
) -> BackedUp:
    """Copy a logbook with its captures, those of a shared store included, to the file of another one.

    Parameters
    ----------
    target : path of the backup; its captures go beside it, as those of every logbook do.
    say : gets how many files of captures are done, and of how many.

    Raises
    ------
    Misuse : the logbook or the target is not a file, or they are the same.
    StorageFault : the target cannot be written, or is in use; captures have changed since they were kept.
    """
    here, there = read_address(book.where), read_address(target)
    if not here.is_file:
        raise Misuse(
            f"logbook `{here.shown}` is on a server",
            expected="a logbook that is a file",
            do="`pg_dump --format=custom` backs it up; `wavewright help production-line` says how",
        )
    if not there.is_file or Path(there.shown).resolve() == Path(here.shown).resolve():
        raise Misuse(f"backup `{there.shown}`", expected="the path of another file than the logbook's own")
    there.make_folder()
    path = Path(there.shown)
    if left := [name for end in BESIDE if (name := path.with_name(path.name + end)).exists()]:
        raise StorageFault(
            f"the backup is in use: {left[0].name} is beside it",
            where=there.shown,
            do="close what has it open, or name another file",
        )
    with book.reading() as connection:
        runs = int(connection.execute(select(func.count()).select_from(outcomes)).scalar_one())
        ends = {row.station: row.sha256 for row in connection.execute(select(heads))}
        gone = runs_without_codes(connection)
        rows = connection.execute(select(captures.c.sha256, captures.c.outcome)).all()
        attached = attached_files(connection) if with_captures else {}
        _copy_rows(connection, path)
    needed = sorted({row.sha256 for row in rows if row.outcome not in gone}) if with_captures else []
    store, missing, files, size = CodeStore(there.captures), [], 0, 0
    for number, content in enumerate(needed):
        say(number, len(needed))
        try:
            if not store.path(content).exists():
                size += _copy_codes(book.codes, content, store.path(content))
                files += 1
        except StorageFault as fault:
            missing.append(str(fault))
    for sha256 in sorted(attached):
        try:
            if not store.files.path(sha256).exists():
                size += _copy_attachment(book.codes, sha256, store)
                files += 1
        except StorageFault as fault:
            missing.append(str(fault))
    return BackedUp(runs, files, size, tuple(missing), ends)


def _copy_rows(connection: Connection, path: Path) -> None:
    """Copy the database as this connection, which has read from it, sees it; the file is there whole or not at all."""
    source = connection.connection.driver_connection
    assert isinstance(source, sqlite3.Connection)
    try:
        with whole_file(path) as part, closing(sqlite3.connect(part)) as copy:
            source.backup(copy, pages=_AT_ONCE)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, which can be moved; whoever opens it changes that
    except (OSError, sqlite3.Error) as fault:
        raise StorageFault(
            f"the backup cannot be written: {fault}", where=str(path), do="free space, or name another file"
        ) from fault


def _copy_attachment(codes: CodeStore, sha256: str, target: CodeStore) -> int:
    """Copy one attached file, if it is what was attached; returns its bytes."""
    source = codes.files.locate(sha256)
    content = source.read_bytes()
    if hashlib.sha256(content).hexdigest() != sha256:
        raise StorageFault("an attachment has changed", where=str(source))
    target.files.add(sha256, content)
    return len(content)


def _copy_codes(codes: CodeStore, content: str, target: Path) -> int:
    """Copy one file of codes, whose hash is computed on the way; returns its bytes."""
    source = codes.locate(content)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(target) as part:
            shutil.copyfile(source, part)
            if content_of(part) != content:
                raise changed(source)
    except OSError as fault:
        raise StorageFault(
            f"the backup cannot be written: {fault.strerror or fault}",
            where=str(target),
            do="free space, or name another file",
        ) from fault
    return target.stat().st_size
