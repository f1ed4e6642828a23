"""The signals that end a command, as far as the operating system has them, and the block that they wait for."""

from __future__ import annotations

import _thread
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

# Ctrl-C, `kill`, and the end of the terminal; Windows has no SIGHUP, but SIGBREAK for Ctrl-Break
STOP_SIGNALS = tuple(
    signal.Signals[name] for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
)
# Windows' console events that end the process as soon as their handler returns: the window is closed, the user logs
# off, the machine goes down (Windows console API, HandlerRoutine; from memory, not verified)
CLOSING_EVENTS = (2, 5, 6)


def leave_to_parent() -> None:
    """In a process that only computes for another: Ctrl-C is the other's to heed, and SIGTERM ends this one at once."""
    signal.set_wakeup_fd(-1)
    for number in STOP_SIGNALS:
        signal.signal(number, signal.SIG_DFL if number == signal.SIGTERM else signal.SIG_IGN)


def arrivals_of_signals() -> tuple[int, int]:
    """A pipe for `signal.set_wakeup_fd`: the end to read, and the end to write, which never waits where it can be told.

    Windows cannot tell a pipe so before Python 3.12; a few signals never fill it.
    """
    arrivals, sender = os.pipe()
    with suppress(AttributeError, OSError):
        os.set_blocking(sender, False)
    return arrivals, sender


@contextmanager
def heeding_closed_window() -> Iterator[None]:
    """Closing the window of a Windows console arrives as SIGBREAK, and the system is kept waiting inside the block.

    Windows ends a process once its handler of that event has returned, and after some seconds in any case; Python's own
    handler returns at once. Other systems send a signal, and the block changes nothing there.
    """
    if not hasattr(signal, "SIGBREAK"):
        yield
        return
    import ctypes

    console: Any = vars(ctypes)["windll"]
    has_ended = threading.Event()

    def take(event: int) -> bool:
        if event not in CLOSING_EVENTS:
            return False
        _thread.interrupt_main(signal.Signals["SIGBREAK"])
        has_ended.wait()
        return True

    routine: Any = vars(ctypes)["WINFUNCTYPE"](ctypes.c_int, ctypes.c_uint)(take)
    console.kernel32.SetConsoleCtrlHandler(routine, 1)
    try:
        yield
    finally:
        console.kernel32.SetConsoleCtrlHandler(routine, 0)
        has_ended.set()


@contextmanager
def never_lost(kind: type[BaseException], again: Callable[[BaseException], None]) -> Iterator[None]:
    """What a handler raises inside a destructor or the like is printed and lost by Python; here it is told to `again`.

    Parameters
    ----------
    kind : what the handler raises.
    again : sees to it that it is raised once more, from where it is heeded.
    """
    before = sys.unraisablehook

    def hook(lost: sys.UnraisableHookArgs) -> None:
        if isinstance(lost.exc_value, kind):
            # from another thread, a moment later: raised in here, it would be lost again
            threading.Timer(0.01, again, [lost.exc_value]).start()
        else:
            before(lost)

    sys.unraisablehook = hook
    try:
        yield
    finally:
        sys.unraisablehook = before


@contextmanager
def undisturbed() -> Iterator[None]:
    """Stop signals wait until the block has been left: switching off is not to be broken off half-way."""
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, STOP_SIGNALS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
