"""A watchdog for what must end by itself."""

from __future__ import annotations

import ctypes
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

HANGS = 60.0  # s; nothing here takes longer unless it never ends
ROOM = 20.0  # s; for a machine that does ten other things


class Hang(BaseException):
    """It did not end by itself. No except clause of ours holds this back."""


@contextmanager
def watched(seconds: float = HANGS) -> Iterator[None]:
    """Whatever is still going on in the block after that time is broken off."""

    if not hasattr(signal, "SIGALRM"):
        with _watched_by_a_thread(seconds):
            yield
        return

    def bite(number: int, frame: FrameType | None) -> None:
        raise Hang

    before = signal.signal(signal.SIGALRM, bite)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


@contextmanager
def _watched_by_a_thread(seconds: float) -> Iterator[None]:
    """Where no alarm goes off: it has the exception raised in the thread that began the block."""
    raised_in = ctypes.c_ulong(threading.get_ident())
    watchdog = threading.Timer(seconds, ctypes.pythonapi.PyThreadState_SetAsyncExc, [raised_in, ctypes.py_object(Hang)])
    watchdog.daemon = True
    watchdog.start()
    try:
        yield
    finally:
        watchdog.cancel()
