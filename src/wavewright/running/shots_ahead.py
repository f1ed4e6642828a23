"""Shots ahead: kept shots are evaluated by this process and its companions, and counted one after the other.

A shot of ordinary length is evaluated in many short steps, which Python does one at a time however many threads there
are: so processes it is, for a measurement that takes long enough. That is known when its first shot has been read, if
to read the others alone takes that long; else when the first shot has been evaluated. Each process reads the shots that
it evaluates. Whatever a companion cannot do is left to whoever asks, who then meets the same fault at the same shot.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Generator, Sequence
from contextlib import suppress
from functools import partial
from typing import Any, Generic, NamedTuple, Protocol, TypeVar, runtime_checkable

from wavewright.instruments.waits import SLICE
from wavewright.running.companion import can_split
from wavewright.running.companions import AHEAD, Companions
from wavewright.waveform import Capture

T = TypeVar("T")
WORTH_A_COPY = 0.1  # s of work that is left, for which copies of this process are made: several times what that takes
WORTH = 2.0  # s of it for which new interpreters are started: several times what that takes
MOST_AHEAD = 16  # shots of which something is found before their turn, per process


class ShotAhead(NamedTuple, Generic[T]):
    """One shot in its turn.

    Attributes
    ----------
    number : of the shot.
    found : what was found in it; None where whoever asks has to find that.
    capture : the shot itself, where it has been read already; nobody else holds it.
    """

    number: int
    found: T | None = None
    capture: Capture | None = None


def shots_ahead(
    captures: Sequence[Capture], find: Callable[[Capture], T], *, processes: int, count: int
) -> Generator[ShotAhead[T], None, None]:
    """Each shot in its order, with what was found in it; nothing is in the first one.

    Each process holds one capture at a time.

    Parameters
    ----------
    captures : read by every process on its own; those that only this one can read are handed over.
    find : what it returns can be pickled.
    processes : how many work, this one included; with fewer than two, nothing is found ahead.
    count : how many of the captures.
    """
    for number in range(count):
        begin = time.perf_counter()
        read = [captures[number]] if number == 0 and processes > 1 else []
        if read and _is_long(begin, count - 1):
            yield from _SideBySide(captures, find, processes, range(count)).found(read)
            return
        yield ShotAhead(number, capture=read.pop() if read else None)
        if processes > 1 and _is_long(begin, count - number - 1):
            yield from _SideBySide(captures, find, processes, range(number + 1, count)).found([])
            return


def _is_long(begin: float, left: int) -> bool:
    """Whether companions are worth it for the shots that are left, if each takes as long as it has been since then."""
    return (time.perf_counter() - begin) * left >= (WORTH_A_COPY if can_split() else WORTH)


@runtime_checkable
class ShotsReadApart(Protocol):
    """Kept shots that another process can read by itself."""

    def apart(self) -> Sequence[Capture]:
        """The same shots, for another process: `pickle` brings them there, without their codes."""


class _SideBySide(Generic[T]):
    """The shots that are left, and who is at which."""

    def __init__(
        self, captures: Sequence[Capture], find: Callable[[Capture], T], processes: int, numbers: range
    ) -> None:
        self._captures, self._find = captures, find
        self._processes, self._numbers = processes, numbers
        self._next = numbers.start  # the first that nobody has
        self._is_read_apart = True

    def _work(self) -> Callable[[Any], T]:
        """What a companion does: with the number of a shot that it can read, or else with the shot."""
        if can_split():
            return partial(_find_in, self._find, self._captures)
        if isinstance(self._captures, ShotsReadApart):
            return partial(_find_in, self._find, self._captures.apart())
        self._is_read_apart = False
        return self._find

    def found(self, read: list[Capture]) -> Generator[ShotAhead[T], None, None]:
        """Each shot in its order; the first one, if it has been read, is taken out and left to whoever asks."""
        own: dict[int, T | None] = {}
        with Companions(self._work(), self._processes - 1) as companions:
            for number in self._numbers:
                if not read:
                    self._hand_out(companions)
                if number == self._next:
                    self._next += 1
                    self._hand_out(companions)
                    yield ShotAhead(number, capture=read.pop() if read else None)
                    companions.look()
                    continue
                while companions.is_at(number):
                    self._hand_out(companions)
                    if self._next < self._numbers.stop and self._next - number < MOST_AHEAD * self._processes:
                        ahead, self._next = self._next, self._next + 1
                        own[ahead] = self._tried(ahead)
                        companions.look()
                    else:
                        companions.look(SLICE)
                yield ShotAhead(number, own.pop(number) if number in own else companions.take(number))

    def _hand_out(self, companions: Companions[T]) -> None:
        """Each companion has enough to do; towards the end only one shot, so that none is waited for long."""
        while (left := self._numbers.stop - self._next) > 0:
            ahead = AHEAD if left > AHEAD * self._processes else 1
            if not companions.has_room(ahead):
                return
            item = self._next if self._is_read_apart else self._captures[self._next]
            if not companions.give(self._next, item):
                return
            self._next += 1

    def _tried(self, number: int) -> T | None:
        """What is found in a shot here, before its turn; a fault is met again when that comes."""
        with suppress(Exception):
            return self._find(self._captures[number])
        return None


def _find_in(find: Callable[[Capture], T], captures: Sequence[Capture], number: int) -> T:
    return find(captures[number])
