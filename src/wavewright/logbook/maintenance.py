"""Upkeep of a logbook: what may go. That it went rightly is written into the chains."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import delete, select

from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import drop_unused_texts, note_taken_out
from wavewright.logbook.queries import Filter
from wavewright.logbook.tables import captures, outcomes


@dataclass(frozen=True, slots=True)
class Pruned:
    """What went: runs, files of codes that nobody refers to any more, bytes that they gave back."""

    runs: int
    files: int
    size: int


def prune(book: Logbook, which: Filter | None, *, dry: bool = False, shared: bool = False) -> Pruned:
    """Take out the runs that a filter names, and every file of codes that no run refers to.

    Parameters
    ----------
    which : the runs to go; None takes none and only clears up the files.
    dry : only count.
    shared : take files out of the shared store too, which then has to belong to this logbook alone.

    Raises
    ------
    StorageFault : the shared store cannot be reached.
    """
    with book.writing() as connection:
        named = select(outcomes.c.station, outcomes.c.id).order_by(outcomes.c.started, outcomes.c.id)
        found = connection.execute(named.where(*which.conditions())).all() if which else []
        ids = [row.id for row in found]
        if not dry:
            for first in range(0, len(ids), 500):
                connection.execute(delete(outcomes).where(outcomes.c.id.in_(ids[first : first + 500])))
            note_taken_out(connection, [(row.station, row.id) for row in found])
            drop_unused_texts(connection)
        gone = set(ids)
        rows = connection.execute(select(captures.c.sha256, captures.c.outcome)).all()
        needed = {row.sha256 for row in rows if row.outcome not in gone}
        # inside the transaction: a run that is being entered waits for it, and keeps its codes once more if they went
        orphans = [content for content in book.codes.contents() if content not in needed]
        size = sum(
            book.codes.path(content).stat().st_size if dry else book.codes.remove(content) for content in orphans
        )
        for store in book.codes.shared[:1] if shared else ():
            for content in [content for content in store.contents() if content not in needed]:
                if content not in orphans:
                    orphans.append(content)
                    size += store.size(content)
                if not dry:
                    store.remove(content)
    left, left_size = book.codes.clear_incoming(dry=dry)
    return Pruned(len(ids), len(orphans) + left, size + left_size)
