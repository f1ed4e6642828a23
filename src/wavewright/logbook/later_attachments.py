"""What is attached to a run after it: links in the chain of its station, which leave the outcome and its hash alone."""

from __future__ import annotations

import json

from sqlalchemy import Connection, select

from wavewright.logbook.chain import ATTACHED
from wavewright.logbook.tables import captures, links, outcomes
from wavewright.running.attachment import Attachment


def attached_later(connection: Connection, run: str) -> tuple[Attachment, ...]:
    """What was attached to a run later, in order; ValueError, KeyError or TypeError where it has changed."""
    query = select(links.c.note).where(links.c.kind == ATTACHED, links.c.run == run).order_by(links.c.position)
    return tuple(Attachment.from_json(json.loads(text)) for text in connection.execute(query).scalars())


def attached_files(connection: Connection) -> dict[str, set[str]]:
    """The runs that each attached file belongs to, by its hash.

    A run that was imported without its captures came without its files too; they are left out.
    """
    found: dict[str, set[str]] = {}
    holds = outcomes.c.document.contains('"attachments"', autoescape=True)
    with_captures = select(captures.c.outcome).where(captures.c.outcome == outcomes.c.id).exists()
    query = select(outcomes.c.id, outcomes.c.document).where(holds, with_captures)
    for run, document in connection.execute(query, execution_options={"yield_per": 500}):
        try:
            hashes = [one["sha256"] for one in json.loads(document).get("attachments", ()) if "sha256" in one]
        except (ValueError, KeyError, TypeError, AttributeError):  # `verify` says what is wrong with it
            continue
        for sha256 in hashes:
            found.setdefault(str(sha256), set()).add(run)
    for row in connection.execute(select(links.c.run, links.c.note).where(links.c.kind == ATTACHED)):
        try:
            sha256 = json.loads(row.note).get("sha256", "")
        except (ValueError, AttributeError):
            continue
        if sha256:
            found.setdefault(str(sha256), set()).add(row.run)
    return found
