"""Who answers: this process, or several on this computer. A cluster is in `cluster.py`."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from itertools import islice
from typing import Protocol

from wavewright.archive.answer import WrittenAnswer
from wavewright.archive.query import Query, answer_of, answers_of
from wavewright.errors import WavewrightError
from wavewright.running.process_pool import handed_over, process_pool

WORTH = 0.5  # s of work in one portion: against it, handing over costs nothing, and no more than that is lost
MOST = 256  # items in a portion of that worth
Found = tuple[list[WrittenAnswer], float]  # what is found about a portion, and in how many seconds
AHEAD = 3  # portions per process that are handed over before they are needed


class Workers(Protocol):
    """Who answers a query."""

    def answers(self, query: Query, items: Iterator[str]) -> AbstractContextManager[Iterator[WrittenAnswer]]:
        """The answers as they come, in any order, one for each item; at the end of the block the workers are let go.

        Items are taken when there is somebody to work on them, so that few are on their way at any time.

        Raises
        ------
        WavewrightError : nobody can answer any more.
        """


class ThisProcess:
    """One item after the other, in this process."""

    @contextmanager
    def answers(self, query: Query, items: Iterator[str]) -> Iterator[Iterator[WrittenAnswer]]:
        """As `Workers` says; in the order of the items."""
        yield (answer_of(query, item) for item in items)


class Processes:
    """Several processes on this computer.

    Parameters
    ----------
    count : how many.
    """

    def __init__(self, count: int) -> None:
        self._count = count

    @contextmanager
    def answers(self, query: Query, items: Iterator[str]) -> Iterator[Iterator[WrittenAnswer]]:
        """As `Workers` says."""
        with process_pool(self._count) as pool:
            yield self._coming(pool, query, items)

    def _coming(self, pool: ProcessPoolExecutor, query: Query, items: Iterator[str]) -> Iterator[WrittenAnswer]:
        portions = Portions(items)
        waiting: set[Future[Found]] = set()
        try:
            while True:
                while len(waiting) < AHEAD * self._count and (some := portions.take()):
                    waiting.add(handed_over(pool, timed_answers, query, some))
                if not waiting:
                    break
                done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for one in done:
                    found, seconds = one.result()
                    portions.learn(len(found), seconds)
                    yield from found
        except BrokenProcessPool as fault:
            raise WavewrightError(
                "a process that computed was ended from outside, or memory ran out",
                do="repeat with fewer --jobs, or with `--cluster local`, which replaces such a process",
            ) from fault


class Portions:
    """Items in portions that are worth handing over: one at first, then as many as take half a second, or longer.

    Attributes
    ----------
    worth : s of work in one portion.
    """

    def __init__(self, items: Iterator[str]) -> None:
        self._items, self._size, self.worth = items, 1, WORTH

    def take(self) -> list[str]:
        """The next portion; empty at the end."""
        return list(islice(self._items, self._size))

    def learn(self, count: int, seconds: float) -> None:
        """How long a portion took; the next ones follow it, at most twice as large."""
        most = int(MOST * self.worth / WORTH)
        fitting = most if seconds <= 0 else int(self.worth * count / seconds)
        self._size = max(1, min(most, 2 * self._size, fitting))


def timed_answers(query: Query, items: list[str]) -> Found:
    """The answers about some items, and how long they took, s."""
    before = time.perf_counter()
    found = answers_of(query, items)
    return found, time.perf_counter() - before
