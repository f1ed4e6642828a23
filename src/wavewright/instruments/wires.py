"""Bytes in and out of one VISA session, within a deadline.

On a wire that marks the end of a message (GPIB, USBTMC, VXI-11, HiSLIP) a read stops there. A raw socket or a serial
line is a stream of bytes where only NL ends a line, so blocks are read by count, with the termination character off.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Protocol

from wavewright.errors import LinkLost
from wavewright.instruments.deadlines import Deadline

CHUNK = 256 * 1024  # bytes a read; larger ones gain nothing, smaller ones cost a third of the speed (measured)
LONGEST_LINE = 1 << 28
Listener = Callable[[bytes | memoryview], None]


class Wire(Protocol):
    """What a link needs of a connection. Foreign errors pass through; the link translates them.

    `listener`, if there is one, gets all bytes that come in answer, also of an answer that is never complete.
    """

    has_end_marks: bool
    listener: Listener | None

    def send(self, data: bytes, deadline: Deadline) -> None:
        """All bytes, terminator included."""

    def read_line(self, deadline: Deadline) -> bytes:
        """Bytes up to and including NL, or to the end mark."""

    def read_into(self, buffer: memoryview, deadline: Deadline) -> tuple[int, bool]:
        """At least one byte; how many, and whether the message ended with them. NL ends nothing here."""

    def termination_off(self) -> AbstractContextManager[None]:
        """Inside it NL is a byte like any other."""

    def is_silent(self, duration: float) -> bool:
        """Whether nothing comes for this long, s."""

    def is_something_waiting(self) -> bool:
        """Whether bytes have arrived that nobody asked for; False where the wire cannot tell."""

    def drain(self, deadline: Deadline) -> bytes:
        """Throw away what has arrived, and return its beginning; an endless answer ends with the deadline."""

    def clear(self, deadline: Deadline) -> bool:
        """Device clear; False where the wire has none."""

    def status_byte(self) -> int | None:
        """The status byte by serial poll; None where the wire has none."""

    def expect_requests(self) -> bool:
        """Get ready for service requests; False where there are none."""

    def wait_for_request(self, timeout: float) -> None:
        """Until one comes; a time-out is the library's error."""

    def close(self) -> None:
        """Let go of the session; never raises."""


def holds_more(wire: Wire) -> bool:
    """Whether more has come after an answer; a peer that hangs up after it has answered all the same."""
    try:
        return wire.is_something_waiting()
    except LinkLost:
        return False
