"""Where the logbook lies if none is named."""

from __future__ import annotations

from pathlib import Path


def usual_logbook() -> Path:
    """A file in the user's data folder, as the operating system has it."""
    from platformdirs import user_data_path

    return user_data_path("wavewright", appauthor=False) / "logbook.sqlite"
