"""Attaching files and notes to a run that is in the logbook already."""

from __future__ import annotations

import json
from collections.abc import Sequence

from sqlalchemy import select

from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import ATTACHED, ChainEntry, append
from wavewright.logbook.tables import outcomes
from wavewright.running.attachment import Attachment


def attach_later(book: Logbook, run: str, attachments: Sequence[Attachment]) -> None:
    """Keep files and notes of a run that is in the logbook, and append them to the chain of its station.

    Parameters
    ----------
    run : its id.

    Raises
    ------
    StorageFault : the disk or the database does not take them; none is attached then.
    """
    with book.writing() as connection:  # `prune` waits for it: no file goes before its run names it
        for one in attachments:
            if not one.is_note:
                book.codes.files.add(one.sha256, one.read())
        station = connection.execute(select(outcomes.c.station).where(outcomes.c.id == run)).scalar_one()
        texts = [json.dumps(one.as_json(), ensure_ascii=False) for one in attachments]
        append(connection, [ChainEntry(station, ATTACHED, run, note=text) for text in texts])
