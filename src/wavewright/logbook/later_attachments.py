"""What is attached to a run after it: links in the chain of its station, which leave the outcome and its hash alone.

Two words beside those of an attachment: `away` says that its file did not come along when the run was imported, `came`
has the hashes of the files of an outcome that did, although its captures did not.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator

from sqlalchemy import Connection, select

from wavewright.logbook.chain import ATTACHED, ChainEntry, note_of
from wavewright.logbook.tables import captures, links, outcomes
from wavewright.running.attachment import Attachment
from wavewright.running.outcome import Outcome

AWAY, CAME = "away", "came"


def attached_later(connection: Connection, run: str) -> tuple[Attachment, ...]:
    """What was attached to a run later, in order; ValueError, KeyError or TypeError where it has changed."""
    query = select(links.c.note).where(links.c.kind == ATTACHED, links.c.run == run).order_by(links.c.position)
    notes = map(json.loads, connection.execute(query).scalars())
    return tuple(Attachment.from_json(note) for note in notes if CAME not in note)


def links_of(run: str, station: str, outcome: Outcome) -> Iterator[ChainEntry]:
    """What the chain says of the attachments of a run that comes in, beside the run itself."""
    came = sorted({one.sha256 for one in outcome.attachments if not one.is_note and one.is_here})
    if came and not outcome.captures:
        yield ChainEntry(station, ATTACHED, run, note=note_of(**{CAME: came}))
    for one in outcome.added:
        is_away = not one.is_note and not one.is_here
        words = {**one.as_json(), **({AWAY: True} if is_away else {})}
        yield ChainEntry(station, ATTACHED, run, note=json.dumps(words, ensure_ascii=False))


def attached_files(connection: Connection) -> dict[str, set[str]]:
    """The runs that each attached file belongs to, by its hash.

    Files that did not come along when their run was imported are left out; of runs that an earlier version imported
    without captures it is not known, and theirs are left out too.
    """
    found: dict[str, set[str]] = {}
    present = set(connection.execute(select(outcomes.c.id)).scalars())
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
            note = json.loads(row.note)
            hashes = [] if note.get(AWAY) else [*note.get(CAME, ()), note.get("sha256", "")]
        except (ValueError, AttributeError, TypeError):
            continue
        if row.run in present:
            for sha256 in filter(None, hashes):
                found.setdefault(str(sha256), set()).add(row.run)
    return found


def files_referred_to(connection: Connection, *, without: Collection[str] = ()) -> dict[str, set[str]] | None:
    """The runs that name each attached file, here or not, by its hash; None where some document cannot be read.

    Parameters
    ----------
    without : runs that do not count.
    """
    found: dict[str, set[str]] = {}
    present = set[str]()
    query = select(outcomes.c.id, outcomes.c.document)
    for run, document in connection.execute(query, execution_options={"yield_per": 500}):
        try:
            hashes = [str(one["sha256"]) for one in json.loads(document).get("attachments", ()) if "sha256" in one]
        except (ValueError, KeyError, TypeError, AttributeError):
            return None  # which files it needs cannot be said: all of them stay
        if run in without:
            continue
        present.add(run)
        for sha256 in hashes:
            found.setdefault(sha256, set()).add(run)
    for row in connection.execute(select(links.c.run, links.c.note).where(links.c.kind == ATTACHED)):
        if row.run not in present:
            continue
        try:
            sha256 = json.loads(row.note).get("sha256", "")
        except (ValueError, AttributeError):
            return None
        if sha256:
            found.setdefault(str(sha256), set()).add(row.run)
    return found
