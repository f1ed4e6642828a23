"""Captures that `prune` took by a rule: they were thinned out on purpose, and are not lost."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import codes_out_of
from wavewright.logbook.outcome_files import CAPTURES, THINNED


def thinned_out(book: Logbook, run: str) -> Mapping[str, str] | None:
    """When, ISO 8601, and by what rule the captures of a run went: `at` and `rule`; None if no rule took them."""
    with book.reading() as connection:
        return codes_out_of(connection, run)


def thinned_folder(folder: Path) -> Mapping[str, str] | None:
    """The same of an evidence folder.

    Raises
    ------
    StorageFault : the note in it cannot be read.
    """
    note = folder / THINNED
    if not note.exists() or (folder / CAPTURES).exists():
        return None
    try:
        plain = json.loads(note.read_text(encoding="utf-8"))
        return {"at": str(plain["at"]), "rule": str(plain["rule"])}
    except (OSError, ValueError, KeyError, TypeError) as fault:
        raise StorageFault(f"when captures were thinned out cannot be read: {fault}", where=str(note)) from fault
