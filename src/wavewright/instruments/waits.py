"""Waits that a stop signal ends soon, on every system.

Windows wakes no wait for a signal: Python's handler has its turn when the call returns. So a long wait is one of many
short ones.
"""

from __future__ import annotations

import select
import socket
import threading
import time

SLICE = 0.1  # s; so long a signal may have to wait


def sleep(seconds: float) -> None:
    """Do nothing for this many seconds."""
    end = time.monotonic() + seconds
    while (left := end - time.monotonic()) > SLICE:
        time.sleep(SLICE)
    time.sleep(max(left, 0.0))


def until_ready(peer: socket.socket, seconds: float, *, to_send: bool = False) -> bool:
    """Whether the socket has something to read, or takes something, within this many seconds."""
    watched = [peer]
    end = time.monotonic() + seconds if seconds > SLICE else 0.0
    while True:
        readable, writable, _ = select.select(
            [] if to_send else watched, watched if to_send else [], [], min(seconds, SLICE)
        )
        if readable or writable:
            return True
        if not end or (seconds := end - time.monotonic()) <= 0:
            return False


def until_set(event: threading.Event) -> None:
    """Until the event has been set."""
    while not event.wait(SLICE):
        pass
