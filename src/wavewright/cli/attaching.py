"""`wavewright logbook attach` and `note`: what belongs to a run and came after it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.completion import complete_run
from wavewright.cli.options import CapturesAt, LogbookAt

if TYPE_CHECKING:
    from wavewright.running.attachment import Attachment

RunId = Annotated[str, typer.Argument(help="Id of a run, its beginning, or `last`.", autocompletion=complete_run)]
By = Annotated[str, typer.Option(help="Who attaches it.")]


def attach(
    run: RunId,
    files: Annotated[list[Path], typer.Argument(help="Files, such as photographs.")],
    *,
    operator: By = "",
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
) -> None:
    """Attach files to a run that is in the logbook.

    The outcome stays as it is: what is attached later is a link of its own in the chain of the station, with the hash
    of the file. Files are kept beside the captures, and are never run.
    """
    from wavewright.running.attachment import files_of

    _append(run, files_of(files, at=datetime.now(UTC), by=operator), logbook, captures)


def note(
    run: RunId,
    text: Annotated[str, typer.Argument(help="The note.")],
    *,
    operator: By = "",
    logbook: LogbookAt = None,
) -> None:
    """Attach a note to a run that is in the logbook.

    The outcome stays as it is: the note is a link of its own in the chain of the station.
    """
    from wavewright.running.attachment import note_of

    _append(run, (note_of(text, at=datetime.now(UTC), by=operator),), logbook, None)


def _append(run: str, attachments: tuple[Attachment, ...], logbook: str | None, captures: str | None) -> None:
    from wavewright.logbook.attaching import attach_later
    from wavewright.logbook.book import Logbook, find_id
    from wavewright.logbook.delivery import brought_lines
    from wavewright.logbook.storable import check_words

    check_words({"operator": attachments[0].by})
    with Logbook.existing(logbook, captures=captures) as book:
        with book.reading() as connection:
            identifier = find_id(connection, run)
        attach_later(book, identifier, attachments)
        for line in brought_lines(book):
            typer.echo(line, err=True)
    for one in attachments:
        print(f"{identifier}: {'note' if one.is_note else f'{one.name}, {one.size} bytes, SHA-256 {one.sha256}'}")
