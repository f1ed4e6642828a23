"""A logbook that is a file: which path it has, and where its captures lie."""

from __future__ import annotations

import os
import re
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from wavewright.logbook.default_location import usual_logbook
from wavewright.path_length import within_reach

LAYOUT = 7  # that of this version: the number of steps in `migrations.py`
_BESIDE = 12  # characters: SQLite's own files beside the database, `-journal` for one
_SCHEME = re.compile(r"[A-Za-z][\w+.-]+:/")  # with one slash it is a URL too, and a misspelt one
# by names of `tables.py`: this layout alone; no other store; no note of the line, and no run of the unit
_PLAIN = """
    SELECT (SELECT count(*) = 1 AND max(version) = ? FROM layout_version)
       AND NOT EXISTS (SELECT 1 FROM capture_stores)
       AND (? = '' OR NOT EXISTS (SELECT 1 FROM links WHERE kind = 'line')
                      AND NOT EXISTS (SELECT 1 FROM outcomes WHERE serial = ?))
"""


@dataclass(frozen=True, slots=True)
class LogbookFile:
    """A file that was named.

    Parameters
    ----------
    path : as it was named; opened : as the operating system takes it.
    """

    path: Path
    opened: Path

    @property
    def captures(self) -> Path:
        """Folder of the raw codes that goes with it."""
        return self.path.with_name(f"{self.path.name}.captures")

    def is_plain(self, *, serial: str) -> bool:
        """Whether a run of a unit can begin without a look at what the logbook holds, as SQLite by itself tells.

        So it is for a logbook of the newest layout that can be written, has its captures beside it and no notes of the
        line, and that knows no run of the unit. Anything else, and any trouble, is for those who look closely.
        """
        if not all(os.access(one, os.W_OK) for one in (self.opened, self.opened.parent)):
            return False
        try:
            with closing(sqlite3.connect(f"{self.opened.absolute().as_uri()}?mode=rw", uri=True, timeout=0)) as found:
                return bool(found.execute(_PLAIN, (LAYOUT, serial, serial)).fetchone()[0])
        except (sqlite3.Error, ValueError):
            return False


def is_url(where: str | Path | None) -> bool:
    """Whether a name is a URL, and not a path."""
    return isinstance(where, str) and _SCHEME.match(where) is not None


def logbook_file(where: str | Path | None) -> LogbookFile:
    """The file that a path means; the user's own logbook for None."""
    path = Path(where).expanduser() if where is not None else usual_logbook()
    return LogbookFile(path, within_reach(path, _BESIDE))
