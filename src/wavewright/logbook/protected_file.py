"""A logbook's file in a place where this user may not write: it is read as it stands.

SQLite reads a file with a write-ahead log only where it may put the log's index beside it. Where it may not, and
nobody is writing, the file is opened as one that does not change (SQLite documentation, "Write-Ahead Logging",
read-only databases, and "Uniform Resource Identifiers", `immutable` †); whoever has read it asks afterwards whether
that was so.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any


class ProtectedFile(sqlite3.Connection):
    """A connection that reads a file which this user cannot write."""

    file: Path
    found: tuple[int, ...]

    @classmethod
    def connect(cls, file: Path, options: dict[str, Any]) -> ProtectedFile:
        """Open a file that must not change meanwhile."""
        found = _state(file)
        address = f"{file.absolute().as_uri()}?mode=ro&immutable=1"
        connection = sqlite3.connect(address, uri=True, factory=cls, **options)
        connection.file, connection.found = file, found
        return connection

    def has_changed(self) -> bool:
        """Whether somebody wrote, or took it away, since it was opened; what was read belongs to no one moment then."""
        try:
            return _state(self.file) != self.found
        except OSError:
            return True


def is_protected(file: Path, options: dict[str, Any]) -> bool:
    """Whether a file can be read here, and not opened in the usual way; never while a log of somebody waits there."""
    if not file.is_file() or _state(file)[-1]:
        return False
    connection = sqlite3.connect(file, **options | {"timeout": 0})
    try:
        connection.execute("SELECT 1 FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as fault:
        return fault.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN)
    except sqlite3.DatabaseError:
        return False  # not a database: whoever opens it says so
    finally:
        connection.close()
    return False


def _state(file: Path) -> tuple[int, ...]:
    """What tells a written file from one left alone: its time and size, and the size of the log beside it."""
    log = file.with_name(f"{file.name}-wal")
    about = file.stat()
    try:
        waiting = log.stat().st_size
    except FileNotFoundError:  # the last of its writers takes it away, at any moment
        waiting = 0
    return about.st_mtime_ns, about.st_size, waiting
