"""A crew: threads that work on parts of one shot side by side, on as many cores as the process may use.

Threads share the records, and nothing is copied. They gain as much as is done inside NumPy's calls on long arrays,
during which other threads run; so only parts of long records are worth one.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Sequence
from contextvars import copy_context
from itertools import chain, islice, repeat
from typing import Any, Generic, TypeAlias, TypeVar

from wavewright.instruments.stop_signals import leave_to_main_thread
from wavewright.instruments.waits import SLICE

T = TypeVar("T")
Elsewhere: TypeAlias = Callable[[Sequence[int]], Sequence[T] | None]  # a part done by another process, or not done


def core_count() -> int:
    """How many cores this process may use: fewer than the machine has where somebody has limited it."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def side_by_side(
    tasks: Sequence[Callable[[], T]],
    parts: Sequence[Sequence[int]],
    *,
    cores: int,
    elsewhere: Sequence[Elsewhere[T]] = (),
) -> list[T]:
    """What the tasks return, in their order.

    The thread that asks works too. A signal that interrupts it ends the wait at once; the others end with the task that
    they are at, and nobody sees what they found.

    Parameters
    ----------
    parts : numbers of the tasks, ascending; those of a part are done one after the other in one thread.
    cores : as many threads at most, the one that asks included.
    elsewhere : who does parts for the other threads, one for each; what they do not do, the thread does.

    Raises
    ------
    What the first of the tasks, in their order, raises that would fail one after the other too.
    """
    crew = _Crew(tasks, parts)
    threads = [
        threading.Thread(target=copy_context().run, args=(crew.work_aside, one), name="evaluates a part", daemon=True)
        for one in islice(chain(elsewhere, repeat(None)), min(cores, len(parts)) - 1)
    ]
    try:
        for thread in threads:
            thread.start()
        crew.work()
        crew.wait()
    finally:
        crew.is_over = True
    return crew.results()


class _Crew(Generic[T]):
    """The tasks, who does which, and what came of them."""

    def __init__(self, tasks: Sequence[Callable[[], T]], parts: Sequence[Sequence[int]]) -> None:
        self._tasks = tasks
        self._waiting = deque(parts)  # taking from it is atomic
        self._left = len(parts)
        self._is_done = threading.Event()
        self._lock = threading.Lock()
        self._found: dict[int, T] = {}
        self._first_fault: tuple[int, BaseException] | None = None
        self.is_over = False

    def work_aside(self, elsewhere: Elsewhere[T] | None) -> None:
        """In another thread: as `work`, from the last part on."""
        leave_to_main_thread()
        self.work(heeded=BaseException, take=self._waiting.pop, elsewhere=elsewhere)

    def work(
        self,
        *,
        heeded: type[BaseException] = Exception,
        take: Callable[[], Sequence[int]] | None = None,
        elsewhere: Elsewhere[T] | None = None,
    ) -> None:
        """Do one part after another, as long as any are left.

        Parameters
        ----------
        heeded : of a task, what is a fault of it; anything else is a signal to this thread, and goes on.
        """
        take = take or self._waiting.popleft
        while not self.is_over:
            try:
                part = take()
            except IndexError:
                return
            found = None if elsewhere is None else elsewhere(part)
            if found is None:
                self._do(part, heeded)
            else:
                self._found.update(zip(part, found, strict=True))
            with self._lock:
                self._left -= 1
                if not self._left:
                    self._is_done.set()

    def _do(self, part: Sequence[int], heeded: type[BaseException]) -> None:
        for number in part:
            first = self._first_fault
            if self.is_over or (first is not None and number > first[0]):  # it would not be reached one after the other
                return
            try:
                self._found[number] = self._tasks[number]()
            except heeded as fault:
                with self._lock:
                    if self._first_fault is None or number < self._first_fault[0]:
                        self._first_fault = number, fault
                return

    def wait(self) -> None:
        """Until the other threads have done their parts."""
        while not self._is_done.wait(SLICE):
            pass

    def results(self) -> list[T]:
        """What the tasks returned; raises what the first one that failed has raised."""
        if self._first_fault is not None:
            raise self._first_fault[1]
        return [self._found[number] for number in range(len(self._tasks))]


def joined_parts(wanted: Sequence[Sequence[Any]]) -> list[list[int]]:
    """Tasks that need nothing in common in different parts, by what each needs; a task that needs nothing is alone.

    Examples
    --------
    >>> joined_parts([["drive"], ["rail"], ["reset", "drive"], ["rail"]])
    [[0, 2], [1, 3]]
    """
    parts: list[tuple[set[Any], list[int]]] = []
    for number, needed in enumerate(wanted):
        touched = [part for part in parts if not part[0].isdisjoint(needed)]
        parts = [part for part in parts if part[0].isdisjoint(needed)]
        needs = set(needed).union(*(part[0] for part in touched))
        parts.append((needs, sorted([number, *(one for part in touched for one in part[1])])))
    return sorted(numbers for _, numbers in parts)
