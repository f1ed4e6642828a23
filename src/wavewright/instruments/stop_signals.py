"""The signals that end a command, as far as the operating system has them, and the block that they wait for."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

# Ctrl-C, `kill`, and the end of the terminal; Windows has no SIGHUP
STOP_SIGNALS = tuple(signal.Signals[name] for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


def leave_to_parent() -> None:
    """In a process that only computes for another: Ctrl-C is the other's to heed, and SIGTERM ends this one at once."""
    signal.set_wakeup_fd(-1)
    for number in STOP_SIGNALS:
        signal.signal(number, signal.SIG_DFL if number == signal.SIGTERM else signal.SIG_IGN)


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
