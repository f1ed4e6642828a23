"""The folder in which outcomes and notes wait until their logbook can be reached; `spool.py` says what is in it."""

from __future__ import annotations

from pathlib import Path

from wavewright.logbook.default_location import usual_logbook
from wavewright.path_length import ROOM_FOR_A_FILE, within_reach

FOLDER = "spool"
OUTCOMES, NOTES = "[!.]*.jsonl", "note-*.json"  # the names of files with either


def spool_beside(out: Path | None) -> Path:
    """The spool of a folder of evidence; where none is kept, that of the user."""
    return within_reach((usual_logbook().parent if out is None else out) / FOLDER, ROOM_FOR_A_FILE)


def is_empty(spool: Path) -> bool:
    """Whether nothing waits there."""
    return not any(any(spool.glob(pattern)) for pattern in (OUTCOMES, NOTES))
