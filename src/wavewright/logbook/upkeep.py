"""Upkeep of a logbook: is everything still what was written, and what may go."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import delete, select

from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter
from wavewright.logbook.tables import captures, outcomes, texts


@dataclass(frozen=True, slots=True)
class Flaw:
    """Something that is not what it was: what it is, and the runs that it belongs to."""

    what: str
    runs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Verified:
    """How much was looked at, and what was wrong."""

    texts: int
    captures: int
    flaws: tuple[Flaw, ...]


@dataclass(frozen=True, slots=True)
class Pruned:
    """What went: runs, files of codes that nobody refers to any more, bytes that they gave back."""

    runs: int
    files: int
    size: int


def verify(book: Logbook, *, say: Callable[[int, int], None] = lambda done, total: None) -> Verified:
    """Compute every hash again: of the recipes, benches and profiles, and of every file of codes.

    Parameters
    ----------
    say : is told how many files are done, and of how many.
    """
    flaws: list[Flaw] = []
    with book.reading() as connection:
        kept_texts = connection.execute(select(texts)).all()
        kept = connection.execute(select(captures.c.sha256, captures.c.outcome, captures.c.label)).all()
        by_recipe = connection.execute(select(outcomes.c.recipe_sha256, outcomes.c.id)).all()
    for row in kept_texts:
        if hashlib.sha256(row.text.encode()).hexdigest() != row.sha256:
            runs = tuple(run.id for run in by_recipe if run.recipe_sha256 == row.sha256)
            flaws.append(Flaw(f"the text {row.sha256[:12]} of a recipe, bench or profile has changed", runs))
    contents = sorted({row.sha256 for row in kept})
    for number, content in enumerate(contents, 1):
        if what := _flaw(book, content):
            flaws.append(Flaw(what, tuple(sorted({row.outcome for row in kept if row.sha256 == content}))))
        say(number, len(contents))
    return Verified(len(kept_texts), len(contents), tuple(flaws))


def prune(book: Logbook, which: Filter | None, *, dry: bool = False) -> Pruned:
    """Take out the runs that a filter names, and every file of codes that no run refers to.

    Parameters
    ----------
    which : the runs to go; None takes none and only clears up the files.
    dry : only count.
    """
    with book.writing() as connection:
        ids = list(connection.execute(select(outcomes.c.id).where(*which.conditions())).scalars()) if which else []
        if not dry:
            for first in range(0, len(ids), 500):
                connection.execute(delete(outcomes).where(outcomes.c.id.in_(ids[first : first + 500])))
            unused = select(outcomes.c.recipe_sha256)
            # texts of benches and profiles are small and shared: they go only with the last run of all
            if not connection.execute(unused.limit(1)).first():
                connection.execute(delete(texts))
        gone = set(ids)
        rows = connection.execute(select(captures.c.sha256, captures.c.outcome)).all()
        needed = {row.sha256 for row in rows if row.outcome not in gone}
        # inside the transaction: a run that is being entered waits for it, and keeps its codes once more if they went
        orphans = [content for content in book.codes.contents() if content not in needed]
        size = sum(
            book.codes.path(content).stat().st_size if dry else book.codes.remove(content) for content in orphans
        )
    return Pruned(len(ids), len(orphans), size)


def _flaw(book: Logbook, content: str) -> str:
    path = book.codes.path(content)
    if not path.exists():
        return f"the captures {path} are missing"
    try:
        intact = book.codes.is_intact(content)
    except (StorageFault, OSError, RuntimeError, KeyError):
        return f"the captures {path} cannot be read"
    return "" if intact else f"the captures {path} have changed"
