"""The signals that end a program, where the suite was started so that it ignores them."""

from __future__ import annotations

import signal
from types import FrameType

ENDING = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT") if hasattr(signal, name))


def heed_signals() -> None:
    """Let programs that the suite starts end by a signal, also after `nohup`, and in the background of a script.

    What is ignored or held back stays so in a program that is started; what has a handler has the system's own there
    (POSIX.1-2024, exec). A program that rightly keeps on ignoring SIGHUP would be waited for.
    """
    for number in ENDING:
        if signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, signal.default_int_handler if number == signal.SIGINT else _go_on)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDING)


def _go_on(number: int, frame: FrameType | None) -> None:
    """What the suite itself does: what it was told to."""
