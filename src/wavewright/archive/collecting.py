"""A query asked about many items: each is answered once, and what is answered stays, whatever happens then."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Protocol

from wavewright.archive.answer import FAULTY, ItemAnswer, WrittenAnswer
from wavewright.archive.query import Query, Said
from wavewright.archive.workers import Workers
from wavewright.errors import StorageFault

_CODES = re.compile(r"(?:\b[0-9a-f]{2}/)?[0-9a-f]{64}")  # the name of a capture, which each item has another of
MOST_ALIKE = 20  # answers in a row with the same fault of a disk, a database or a store: it will be so for all others


class Answers(Protocol):
    """Where answers are kept while they come, and afterwards."""

    def stamps(self) -> dict[str, str]:
        """What is answered already, without a fault: the stamp of each item."""

    def take(self, answer: WrittenAnswer) -> None:
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
    done, alike = len(items) - len(left), 0
    before: tuple[str, str] | None = None
    del known
    said(done, len(items))
    with workers.answers(query, iter(left)) as coming:
        try:
            for answer in coming:
                answers.take(answer)
                done += 1
                said(done, len(items))
                said_of_place = (answer.place, _CODES.sub("", answer.fault)) if answer.place else None
                alike = alike + 1 if said_of_place is not None and said_of_place == before else 0
                before = said_of_place
                if alike >= MOST_ALIKE:
                    raise StorageFault(
                        f"{answer.fault}\n{alike + 1} answers in a row say so, {len(items) - done} are left",
                        do="repeat the command when that is mended: what is answered is not asked again if it is kept",
                    )
        finally:
            answers.keep()  # before the workers are ended, for which an impatient user may not wait


def worst(statuses: set[int]) -> int:
    """The exit status of many: an error if there is one, else what failed, else what is inconclusive."""
    return next((one for one in (FAULTY, 1, 2) if one in statuses), 0)
