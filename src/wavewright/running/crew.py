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
from typing import Any, Generic, TypeVar

from wavewright.instruments.stop_signals import leave_to_main_thread
from wavewright.instruments.waits import SLICE

T = TypeVar("T")


def core_count() -> int:
    """How many cores this process may use: fewer than the machine has where somebody has limited it."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def side_by_side(tasks: Sequence[Callable[[], T]], parts: Sequence[Sequence[int]], *, cores: int) -> list[T]:
    """What the tasks return, in their order.

    The thread that asks works too. A signal that interrupts it ends the wait at once; the others end with the task that
    they are at, and nobody sees what they found.

    Parameters
    ----------
    parts : numbers of the tasks, ascending; those of a part are done one after the other in one thread.
    cores : as many threads at most, the one that asks included.

    Raises
    ------
    What the first of the tasks, in their order, raises that would fail one after the other too.
    """
    crew = _Crew(tasks, parts)
    threads = [
        threading.Thread(target=copy_context().run, args=(crew.work_aside,), name=f"evaluates {number}", daemon=True)
        for number in range(1, min(cores, len(parts)))
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

    def work_aside(self) -> None:
        """In another thread: as `work`."""
        leave_to_main_thread()
        self.work(heeded=BaseException)

    def work(self, *, heeded: type[BaseException] = Exception) -> None:
        """Do one part after another, as long as any are left.

        Parameters
        ----------
        heeded : of a task, what is a fault of it; anything else is a signal to this thread, and goes on.
        """
        while not self.is_over:
            try:
                part = self._waiting.popleft()
            except IndexError:
                return
            self._do(part, heeded)
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
