"""Calls into a foreign library that know no time-out of their own, or do not keep it.

PyVISA-py 0.8.1 waits 5 s for a HiSLIP server that accepts and says nothing, and 25 s for a portmapper, whatever it is
told; a name that no server resolves blocks the operating system's own call.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar, cast

from wavewright.instruments.stop_signals import leave_to_main_thread
from wavewright.instruments.waits import SLICE

T = TypeVar("T")


def in_time(call: Callable[[], T], timeout: float, *, discard: Callable[[T], None] = lambda result: None) -> T:
    """What a call gives, if it gives it in time; its own errors pass through.

    Parameters
    ----------
    timeout : s. A call that takes longer is left to itself, in a thread of its own.
    discard : is given what such a call brings in the end.

    Raises
    ------
    TimeoutError : it takes longer.
    """
    results: queue.SimpleQueue[tuple[T | None, BaseException | None]] = queue.SimpleQueue()
    handing_over, is_given_up = threading.Lock(), threading.Event()

    def work() -> None:
        leave_to_main_thread()
        try:
            result = call()
        except BaseException as fault:  # handed on to who called
            results.put((None, fault))
            return
        with handing_over:
            if not is_given_up.is_set():
                results.put((result, None))
                return
        discard(result)

    threading.Thread(target=work, name="a call that may hang", daemon=True).start()
    try:
        result, fault = _awaited(results, time.monotonic() + timeout)
    except BaseException as gave_up:
        with handing_over:
            is_given_up.set()
        if not results.empty():
            late, _ = results.get()
            if late is not None:
                discard(late)
        if isinstance(gave_up, queue.Empty):
            raise TimeoutError(f"it took longer than {timeout:.3g} s") from None
        raise
    if fault is not None:
        raise fault
    return cast("T", result)


def _awaited(results: queue.SimpleQueue[T], end: float) -> T:
    """The first result; a stop signal is heeded meanwhile.

    Raises
    ------
    queue.Empty : none by then.
    """
    while (left := end - time.monotonic()) > SLICE:
        with suppress(queue.Empty):
            return results.get(timeout=SLICE)
    return results.get(timeout=max(left, 0.0))
