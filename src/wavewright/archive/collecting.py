"""A query asked about many items: each is answered once, and what is answered stays, whatever happens then."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing
from typing import Protocol

from wavewright.archive.answer import FAULTY, ItemAnswer
from wavewright.archive.query import Query, Said
from wavewright.archive.workers import Workers
from wavewright.errors import StorageFault

MOST_ALIKE = 20  # answers in a row with the same fault of a disk, a database or a store: it will be so for all others


class Answers(Protocol):
    """Where answers are kept while they come, and afterwards."""

    def stamps(self) -> dict[str, str]:
        """What is answered already, without a fault: the stamp of each item."""

    def take(self, answer: ItemAnswer) -> None:
        """Keep an answer, in place of one about the same item.

        Raises
        ------
        StorageFault : the disk or the database does not take it; what was kept before stays.
        """

    def keep(self) -> None:
        """Return when every answer that was taken is kept; StorageFault as `take`."""

    def about(self, items: Sequence[str]) -> Iterator[ItemAnswer]:
        """The answers about these items, in that order, one after the other."""


def collect(
    query: Query, items: Sequence[str], workers: Workers, answers: Answers, *, said: Said = lambda done, of: None
) -> None:
    """Have every item answered that is not yet, and keep each answer as soon as it comes.

    An item that had a fault, or that has changed since, is asked about again.

    Parameters
    ----------
    said : told how many are answered, and of how many.

    Raises
    ------
    StorageFault : answers are not kept any more, or what they come from is out of reach. What came before is kept.
    WavewrightError : nobody answers any more; so too.
    """
    known = answers.stamps()
    left = [item for item in items if item not in known or (known[item] and known[item] != query.stamp(item))]
    done, before, alike = len(items) - len(left), "", 0
    del known
    said(done, len(items))
    try:
        with closing(workers.answers(query, iter(left))) as coming:
            for answer in coming:
                answers.take(answer)
                done += 1
                said(done, len(items))
                alike = alike + 1 if answer.is_of_place and answer.fault == before else 0
                before = answer.fault
                if alike >= MOST_ALIKE:
                    raise StorageFault(
                        f"{before}\n{alike + 1} answers in a row say so, {len(items) - done} are left",
                        do="repeat the command when that is mended: what is answered is not asked again if it is kept",
                    )
    finally:
        answers.keep()


def worst(statuses: set[int]) -> int:
    """The exit status of many: an error if there is one, else what failed, else what is inconclusive."""
    return next((one for one in (FAULTY, 1, 2) if one in statuses), 0)
