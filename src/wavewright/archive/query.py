"""A query that is asked about each of many items, and the one way in which it is answered.

Whether one process answers, several, or the workers of a cluster: each calls `answer_of` about one item after the
other. So the answers are the same by construction.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from wavewright.archive.answer import FAULTY, ItemAnswer, WrittenAnswer
from wavewright.errors import StorageFault, WavewrightError

AT_WORK = threading.Lock()  # held while an item is answered: a process has one record in memory, whatever its threads


class Query(Protocol):
    """What is asked about each item. It is pickled to other processes: paths in it are whole, and nothing is open."""

    @property
    def columns(self) -> Mapping[str, type]:
        """The columns of a table of answers: `str`, `float`, `int` or `bool`."""

    def words(self) -> Mapping[str, Any]:
        """All that decides what the answer is, as plain JSON, but for the items and the version of the program."""

    def check(self) -> None:
        """See whether this process reaches what it needs for any answer.

        Raises
        ------
        WavewrightError : it does not.
        """

    def stamp(self, item: str) -> str:
        """Changes when what an item names changes; empty of what never does."""

    def answer(self, item: str) -> ItemAnswer:
        """The answer about one item.

        Raises
        ------
        WavewrightError : there is none, and why.
        """

    def close(self) -> None:
        """Let go of what this process has open for answers."""


def answer_of(query: Query, item: str) -> WrittenAnswer:
    """The answer about one item, with the fault in it if there is one; the one way in which items are answered."""
    with AT_WORK:
        try:
            return query.answer(item).written()
        except WavewrightError as fault:
            place = str(fault.where) if isinstance(fault, StorageFault) else ""
            return ItemAnswer(item, fault=str(fault), status=FAULTY, place=place).written()
        except MemoryError:
            return ItemAnswer(item, fault=f"{item}: it does not fit into memory", status=FAULTY).written()
        except Exception as defect:  # of one item among thousands: the others are answered all the same
            why = f"{item}: {type(defect).__name__}: {defect}\n  do: this is a defect of Wavewright; please report it"
            return ItemAnswer(item, fault=why, status=FAULTY).written()


def answers_of(query: Query, items: Sequence[str]) -> list[WrittenAnswer]:
    """The answers about some items, in their order."""
    return [answer_of(query, item) for item in items]


def query_id(query: Query, versions: Mapping[str, str]) -> str:
    """A hash that two queries share only if they have the same answers about the same items."""
    text = json.dumps({**query.words(), "versions": dict(versions)}, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


Said = Callable[[int, int], None]
"""Told how many items are answered, and of how many."""
