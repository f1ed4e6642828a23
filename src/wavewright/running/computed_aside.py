"""What is computed beside a wait for an instrument, by a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextvars import copy_context
from typing import Generic, TypeVar

from wavewright.instruments.stop_signals import leave_to_main_thread
from wavewright.instruments.waits import SLICE

T = TypeVar("T")


class ComputedAside(Generic[T]):
    """What a function without effects returns; it is called at once, in another thread.

    Whoever never asks for the result leaves the thread to itself: it ends with the function, or with the program.
    """

    def __init__(self, compute: Callable[[], T]) -> None:
        self._compute = compute
        self._found: T
        self._fault: BaseException | None = None
        self._is_done = threading.Event()
        work = copy_context().run
        threading.Thread(target=work, args=(self._work,), name="computes aside", daemon=True).start()

    def result(self) -> T:
        """What was returned; waits for it, and raises what the function has raised."""
        while not self._is_done.wait(SLICE):
            pass
        if self._fault is not None:
            raise self._fault
        return self._found

    def _work(self) -> None:
        leave_to_main_thread()
        try:
            self._found = self._compute()
        except BaseException as fault:
            self._fault = fault
        finally:
            self._is_done.set()
