"""Processes that compute for this one, and leave signals to it; whoever interrupts it does not wait for them."""

from __future__ import annotations

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

    pool = ProcessPoolExecutor(count, initializer=leave_to_parent)
    try:
        yield pool
    except BaseException:  # nobody will read what they are at
        for process in dict(vars(pool)["_processes"] or {}).values():
            process.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


def handed_over(
    pool: ProcessPoolExecutor, work: Callable[Given, T], *given: Given.args, **named: Given.kwargs
) -> Future[T]:
    """Work for one of them; a signal waits until it is handed over, for half-started processes could not be ended."""
    with undisturbed():
        return pool.submit(work, *given, **named)
