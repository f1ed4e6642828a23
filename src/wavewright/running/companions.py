"""Some companions that do one kind of work: who has what, and what came of it.

What they cannot do is left to whoever asks: work that raises an error there, one that was ended from outside or could
not be started.
"""

from __future__ import annotations

import gc
import pickle
from collections.abc import Callable
from contextlib import suppress
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import Any, Generic, Self, TypeVar

from wavewright.instruments.stop_signals import undisturbed
from wavewright.running.companion import (
    UNREADABLE,
    Companion,
    CompanionAnswer,
    can_split,
    copied_companion,
    new_companion,
)

T = TypeVar("T")
AHEAD = 2  # items that one has at a time: while it hands back the first, the next is there


class Companions(Generic[T]):
    """A `with` block with companions, which have ended after it.

    Parameters
    ----------
    work : what is done with an item. `pickle` brings it to a new interpreter, and items and what is found to any.
    count : how many are wanted; there are as many as could be started.
    """

    def __init__(self, work: Callable[[Any], T], count: int) -> None:
        self._work, self._count = work, count
        self._companions: list[Companion] = []
        self._answers: SimpleQueue[CompanionAnswer] = SimpleQueue()
        self._found: dict[int, T] = {}
        self._is_frozen = False

    def __enter__(self) -> Self:
        start = copied_companion if can_split() else new_companion
        if start is copied_companion and not gc.get_freeze_count():
            gc.freeze()  # the collector would write to all that is in memory, and so have it copied
            self._is_frozen = True
        try:
            with suppress(OSError, *UNREADABLE):
                for _ in range(self._count):
                    with undisturbed():
                        self._companions.append(start(self._work))
            for one in self._companions:  # now that all are there: a thread would be in the way of a copy
                one.listen(self._answers)
        except BaseException:
            self.end()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end()

    def end(self) -> None:
        """End all of them, whatever they are at."""
        with undisturbed():
            for one in self._companions:
                one.end()
            self._companions.clear()
            if self._is_frozen:
                gc.unfreeze()
                self._is_frozen = False

    @property
    def processes(self) -> list[int]:
        """The system's numbers of them."""
        return [one.process.pid for one in self._companions]

    def has_room(self, ahead: int = AHEAD) -> bool:
        """Whether one of them has fewer items than that."""
        return any(len(one.given) < ahead for one in self._companions if not one.is_gone)

    def give(self, number: int, item: object) -> bool:
        """Hand over an item under a number to the one that has fewest; False where that cannot be."""
        able = [one for one in self._companions if not one.is_gone]
        return bool(able) and min(able, key=lambda one: len(one.given)).give(number, item)

    def is_at(self, number: int) -> bool:
        """Whether one of them still has the item of that number."""
        return any(number in one.given for one in self._companions)

    def look(self, seconds: float = 0.0) -> None:
        """Take in what has been answered; wait so long at most, s, for the first answer."""
        with suppress(Empty):
            self._take_in(self._answers.get(timeout=seconds) if seconds else self._answers.get_nowait())
            while True:
                self._take_in(self._answers.get_nowait())

    def take(self, number: int) -> T | None:
        """What was found about the item of that number; None where nothing was."""
        return self._found.pop(number, None)

    def _take_in(self, answer: CompanionAnswer) -> None:
        if answer.number is None:
            answer.companion.lost()
            return
        answer.companion.given.discard(answer.number)
        if answer.is_done:
            with suppress(Exception):  # what cannot be read is as good as not found
                self._found[answer.number] = pickle.loads(answer.found)
