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
# What wakes the main thread out of a wait, for a reason of the program's own. Windows lets a program raise no other
# signal for itself but those of C; none of this program's code can cause that one, and elsewhere nothing sends it.
STOP_WAITING = signal.Signals[next(name for name in ("SIGUSR1", "SIGFPE") if hasattr(signal, name))]
# Windows' console events (Windows console API, HandlerRoutine †). The process ends as soon as
# the handler of a closing one returns, and about 5 s after the event in any case: the window is closed, the user logs
# off, the machine goes down.
BREAK: Any = getattr(signal, "SIGBREAK", None)
BREAK_EVENT = 1
CLOSING_EVENTS = (2, 5, 6)


def leave_to_parent() -> None:
    """In a process that only computes for another: Ctrl-C is the other's to heed, and SIGTERM ends this one at once."""
    signal.set_wakeup_fd(-1)
    for number in STOP_SIGNALS:
        signal.signal(number, signal.SIG_DFL if number == signal.SIGTERM else signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):  # whoever starts it while undisturbed hands the mask on
        signal.pthread_sigmask(signal.SIG_UNBLOCK, STOP_SIGNALS)


def arrivals_of_signals() -> tuple[int, int]:
    """A pipe for `signal.set_wakeup_fd`: the end to read, and the end to write, which never waits if that can be set.

    Windows cannot set a pipe so before Python 3.12; a few signals never fill it.
    """
    arrivals, sender = os.pipe()
    with suppress(AttributeError, OSError):
        os.set_blocking(sender, False)
    return arrivals, sender


def leave_to_main_thread() -> None:
    """In another thread: where signals come to a thread, they come to the main one, which has the handlers."""
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_BLOCK, STOP_SIGNALS)


def wake_main_thread() -> None:
    """Have the main thread run the handler of `STOP_WAITING`, whatever it waits for."""
    main = threading.main_thread().ident
    if hasattr(signal, "pthread_kill") and main is not None:
        signal.pthread_kill(main, STOP_WAITING)
    else:
        _thread.interrupt_main(STOP_WAITING)


class _Console:
    """The console of this process, where the system is Windows: its events, and who of us heeds them."""

    is_heeded = False


@contextmanager
def heeding_console() -> Iterator[None]:
    """Ctrl-Break and the closing of a Windows console's window arrive as SIGBREAK; the system waits for the block.

    Windows ends a process once its handler of a closing event has returned, and Python's own returns at once. The
    handler is ours for Ctrl-Break too, since not every C runtime has SIGBREAK: Wine's has not. Other systems send
    signals, and the block changes nothing there; nor does it inside another one.
    """
    if BREAK is None or _Console.is_heeded:
        yield
        return
    import ctypes

    console: Any = vars(ctypes)["windll"]
    has_ended = threading.Event()

    def take(event: int) -> bool:
        """In a thread that the system makes for it."""
        if event != BREAK_EVENT and event not in CLOSING_EVENTS:
            return False
        _thread.interrupt_main(BREAK)
        if event in CLOSING_EVENTS:
            has_ended.wait()
        return True

    routine: Any = vars(ctypes)["WINFUNCTYPE"](ctypes.c_int, ctypes.c_uint)(take)
    console.kernel32.SetConsoleCtrlHandler(routine, 1)
    _Console.is_heeded = True
    try:
        yield
    finally:
        _Console.is_heeded = False
        has_ended.set()  # first: the list of handlers is locked while one of them is at work
        console.kernel32.SetConsoleCtrlHandler(routine, 0)


@contextmanager
def never_lost(kind: type[BaseException], again: Callable[[BaseException], None]) -> Iterator[None]:
    """What a handler raises inside a destructor or the like Python prints and loses; here it is passed to `again`.

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
    """Stop signals wait until the block has been left: switching off is not to be interrupted half-way."""
    if threading.current_thread() is not threading.main_thread():
        yield
    elif hasattr(signal, "pthread_sigmask"):
        before = signal.pthread_sigmask(signal.SIG_BLOCK, STOP_SIGNALS)
        try:
            yield
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
    else:
        with _kept_for_later():
            yield


@contextmanager
def _kept_for_later() -> Iterator[None]:
    """Where there is no mask: what comes inside the block goes to the handlers after it."""
    came: list[int] = []
    before = {number: signal.signal(number, lambda one, frame: came.append(one)) for number in STOP_SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        for late in dict.fromkeys(came):
            _thread.interrupt_main(signal.Signals(late))
