"""The run that a command line names."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from wavewright.running.outcome import Outcome


def chosen_run(run: str, logbook: str | None, captures: str | None = None) -> Outcome:
    """The outcome in an evidence folder, or of the logbook by its id, the beginning of that, or `last`."""
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.outcome_files import read_outcome

    if Path(run).is_dir():
        return read_outcome(Path(run))
    with Logbook.existing(logbook, captures=captures) as book:
        return book.outcome(run)
