"""Shots ahead: kept shots are evaluated by several processes, and come back one after the other.

A shot of ordinary length is evaluated in many short steps, which Python does one at a time however many threads there
are: so processes it is, for a measurement that takes long enough. Whatever one of them cannot do is left to whoever
asks, who then meets the same fault at the same shot.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, wait
from contextlib import suppress
from typing import TYPE_CHECKING, TypeVar

from wavewright.instruments.waits import SLICE
from wavewright.running.process_pool import handed_over, process_pool
from wavewright.waveform import Capture

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor

T = TypeVar("T")
WORTH = 1.0  # s of work that is left: several times what it takes to start processes


def shots_ahead(
    captures: Iterable[Capture], find: Callable[[Capture], T], *, processes: int, count: int
) -> Generator[tuple[Capture, T | None], None, None]:
    """Each capture in its order with what was found in it; None where whoever asks has to find that.

    No more than `processes` + 1 captures are held at a time, and of each at most one copy beside it, which is on its
    way to a process or there.

    Parameters
    ----------
    find : can be pickled, and so can what it returns.
    processes : how many work; with fewer than two, nothing is found ahead.
    count : how many captures there are, about.
    """
    waiting = iter(captures)
    number = 0
    while (capture := next(waiting, None)) is not None:
        number += 1
        begin = time.perf_counter()
        yield capture, None
        del capture
        if processes > 1 and (time.perf_counter() - begin) * (count - number) >= WORTH:
            yield from _by_processes(waiting, find, processes)


def _by_processes(
    waiting: Iterator[Capture], find: Callable[[Capture], T], processes: int
) -> Generator[tuple[Capture, T | None], None, None]:
    given: deque[tuple[Capture, Future[T] | None]] = deque()
    with process_pool(processes) as pool:
        while True:
            while len(given) <= processes and (capture := next(waiting, None)) is not None:
                given.append((capture, _handed_over(pool, find, capture)))
            if not given:
                break
            capture, answer = given.popleft()
            yield capture, _answered(answer)
            del capture


def _handed_over(pool: ProcessPoolExecutor, find: Callable[[Capture], T], capture: Capture) -> Future[T] | None:
    with suppress(RuntimeError):  # one was ended from outside, and so are the others
        return handed_over(pool, find, capture)
    return None


def _answered(answer: Future[T] | None) -> T | None:
    if answer is None:
        return None
    while not wait([answer], SLICE).done:  # in pieces, so that a signal ends it on every system
        pass
    return answer.result() if answer.exception() is None else None
