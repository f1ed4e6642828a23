"""A HiSLIP session of PyVISA-py, whose data are read straight from the operating system into the caller's buffer.

The library's own `read` makes a new buffer for every chunk, clears it, and copies it once more: a block took up to
twice as long that way. Everything else, its bookkeeping of messages included, stays with the library (PyVISA-py 0.8.1);
a session that keeps its books otherwise is left to `VisaWire`.
"""

from __future__ import annotations

import socket
from typing import Any

from pyvisa.resources import MessageBasedResource

from wavewright.errors import NoAnswer
from wavewright.instruments.blocks import LONGEST_HEADER
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.visa_wire import VisaWire
from wavewright.instruments.waits import SLICE

_LAST = "DataEnd"  # the type of the message that ends an answer, as the library calls it
_BOOKS = ("_sync", "_async", "_msg_type", "_payload_remaining", "_next_data_header", "_rmt")


class TimedSocket:
    """A socket every call of which ends with one deadline: the library's own time-out counts anew for each few bytes.

    So a server that sends a byte now and then, or messages that answer nothing, would keep the library for ever.
    """

    def __init__(self, plain: socket.socket) -> None:
        self._plain = plain
        self.deadline: Deadline | None = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self._plain, name)

    def recv_into(self, buffer: Any, count: int = 0) -> int:
        """As the socket's; a peer that has gone is an error, not a count of 0 that is asked for again and again."""
        received = self._received(buffer, count)
        if not received:
            raise ConnectionResetError("the instrument closed the connection")
        return received

    def _received(self, buffer: Any, count: int) -> int:
        while self.deadline is not None:
            self._plain.settimeout(min(self.deadline.left(), SLICE))
            try:
                return self._plain.recv_into(buffer, count)
            except TimeoutError:
                if self.deadline.has_passed:
                    raise
        return self._plain.recv_into(buffer, count)

    def sendall(self, data: bytes | memoryview) -> None:
        """As the socket's."""
        if self.deadline is not None:
            self._plain.settimeout(self.deadline.left())
        self._plain.sendall(data)


class HislipWire(VisaWire):
    """A HiSLIP session of PyVISA-py; only blocks are read without the library."""

    def __init__(self, visa: MessageBasedResource, peer: Any, *, termination: str = "\n") -> None:
        super().__init__(visa, termination=termination)
        self._peer = peer
        peer._sync, peer._async = TimedSocket(peer._sync), TimedSocket(peer._async)

    def read_into(self, buffer: memoryview, deadline: Deadline) -> tuple[int, bool]:
        """At least one byte; how many, and whether the answer ended with them.

        The beginning of an answer comes by itself: so a block's header is known before its data, and these go to
        where they belong.
        """
        peer = self._peer
        self._allow(deadline)
        is_begin = not peer._msg_type
        try:
            while not peer._payload_remaining:
                if peer._msg_type == _LAST:
                    return 0, True
                peer._msg_type, peer._payload_remaining = peer._next_data_header()
            most = min(len(buffer), peer._payload_remaining, LONGEST_HEADER if is_begin else len(buffer))
            count = peer._sync.recv_into(buffer, most)
        except TimeoutError as fault:
            raise NoAnswer(f"nothing more came within {deadline.timeout:.3g} s") from fault
        peer._payload_remaining -= count
        ended = not peer._payload_remaining and peer._msg_type == _LAST
        if ended:
            peer._rmt = 1  # what the library's own read says of an answer that is complete
        if self.listener:
            self.listener(buffer[:count])
        return count, ended

    def _allow(self, deadline: Deadline) -> None:
        self._peer._sync.deadline = self._peer._async.deadline = deadline


def hislip_wire_of(visa: MessageBasedResource, *, termination: str = "\n") -> HislipWire | None:
    """The session's wire, if it is one of PyVISA-py over HiSLIP; else None."""
    session = getattr(visa.visalib, "sessions", {}).get(visa.session)
    peer = getattr(session, "interface", None)
    if not all(hasattr(peer, name) for name in _BOOKS) or not isinstance(getattr(peer, "_sync", None), socket.socket):
        return None
    return HislipWire(visa, peer, termination=termination)
