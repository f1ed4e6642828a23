"""Answers in a logbook: each once per query, in transactions of a second, to be taken up again at any time."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from types import TracebackType
from typing import Any, Self

from sqlalchemy import delete, insert, select

from wavewright.archive.answer import ItemAnswer, WrittenAnswer
from wavewright.logbook import tables
from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import CHUNK

WAIT = 1.0  # s that an answer is in memory alone


class LogbookAnswers:
    """Answers in a logbook, which it closes; use it as a `with` block.

    Parameters
    ----------
    query : its hash; words : what it is about, to be read by people.
    afresh : forget the answers to it that are there.

    Raises
    ------
    StorageFault : the logbook takes nothing.
    """

    def __init__(self, book: Logbook, query: str, words: Mapping[str, Any], *, afresh: bool = False) -> None:
        self._book, self._query = book, query
        self._taken: dict[str, WrittenAnswer] = {}
        self._since = time.monotonic()
        known = tables.archive_queries.c.sha256 == query
        with book.writing() as connection:
            if afresh:
                connection.execute(delete(tables.answers).where(tables.answers.c.query == query))
            if connection.execute(select(tables.archive_queries.c.since).where(known)).first() is None:
                plain = json.dumps(dict(words), ensure_ascii=False)
                row = {"sha256": query, "words": plain, "since": tables.microseconds(datetime.now(UTC))}
                connection.execute(insert(tables.archive_queries), [row])

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._book.close()

    def stamps(self) -> dict[str, str]:
        """The stamps of what is answered without a fault."""
        ours = tables.answers.c
        query = select(ours.item, ours.stamp).where(ours.query == self._query, ours.is_faulty == 0)
        with self._book.reading() as connection:
            return {row.item: row.stamp for row in connection.execute(query)}

    def take(self, answer: WrittenAnswer) -> None:
        """Take an answer; what was taken for a second is written."""
        self._taken[answer.item] = answer
        if time.monotonic() - self._since > WAIT or len(self._taken) >= CHUNK:
            self.keep()

    def keep(self) -> None:
        """Write what was taken, in one transaction."""
        rows = [
            {"query": self._query, "item": item, "is_faulty": int(bool(one.fault)), "stamp": one.stamp,
             "answer": one.text}
            for item, one in self._taken.items()
        ]  # fmt: skip
        ours = tables.answers.c
        if rows:
            with self._book.writing() as connection:
                there = (ours.query == self._query) & ours.item.in_(list(self._taken))
                connection.execute(delete(tables.answers).where(there))
                connection.execute(insert(tables.answers), rows)
        self._taken.clear()
        self._since = time.monotonic()

    def about(self, items: Sequence[str]) -> Iterator[ItemAnswer]:
        """The answers about these items, some at a time."""
        self.keep()
        ours = tables.answers.c
        for first in range(0, len(items), CHUNK):
            some = items[first : first + CHUNK]
            query = select(ours.item, ours.answer).where(ours.query == self._query, ours.item.in_(some))
            with self._book.reading() as connection:
                found = {row.item: row.answer for row in connection.execute(query)}
            yield from (ItemAnswer.read(found[item]) for item in some if item in found)
