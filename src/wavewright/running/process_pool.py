"""Processes that compute for this one, and leave signals to it; whoever interrupts it does not wait for them.

They end by themselves as soon as this process has ended, however that came about.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, ParamSpec, TypeVar

from wavewright.instruments.stop_signals import leave_to_parent, undisturbed

if TYPE_CHECKING:
    from concurrent.futures import Future, ProcessPoolExecutor

T = TypeVar("T")
Given = ParamSpec("Given")


@contextmanager
def process_pool(count: int) -> Iterator[ProcessPoolExecutor]:
    """This number of processes, which are started with the first work and end with the block."""
    from concurrent.futures import ProcessPoolExecutor  # loads what a run that needs none would wait for

    pool = ProcessPoolExecutor(count, initializer=_begin)
    try:
        yield pool
    except BaseException:  # nobody will read what they are at
        for process in dict(vars(pool)["_processes"] or {}).values():
            process.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


def _begin() -> None:
    leave_to_parent()
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A process that waits for work does not see that nobody is left to give it any: it has both ends of that pipe."""
    from multiprocessing import parent_process

    if (parent := parent_process()) is not None:
        parent.join()
        os._exit(1)


def handed_over(
    pool: ProcessPoolExecutor, work: Callable[Given, T], *given: Given.args, **named: Given.kwargs
) -> Future[T]:
    """Work for one of them; a signal waits until it is handed over, for half-started processes could not be ended."""
    with undisturbed():
        return pool.submit(work, *given, **named)
