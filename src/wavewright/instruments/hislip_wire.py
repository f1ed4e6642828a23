"""A HiSLIP session of PyVISA-py, whose data are read straight from the operating system into the caller's buffer.

The library's own `read` makes a new buffer for every chunk, clears it, and copies it once more: a block took up to
twice as long that way. Everything else, its bookkeeping of messages included, stays with the library (PyVISA-py 0.8.1);
a session that keeps its books otherwise is left to `VisaWire`.
"""

from __future__ import annotations

import socket
from typing import Any

from pyvisa.resources import MessageBasedResource

from wavewright.errors import LinkLost, NoAnswer
from wavewright.instruments.blocks import LONGEST_HEADER
from wavewright.instruments.wires import Deadline, VisaWire

_LAST = "DataEnd"  # the type of the message that ends an answer, as the library calls it
_BOOKS = ("_sync", "_msg_type", "_payload_remaining", "_next_data_header", "_rmt")


class HislipWire(VisaWire):
    """A HiSLIP session of PyVISA-py; only blocks are read without the library."""

    def __init__(self, visa: MessageBasedResource, peer: Any, *, termination: str = "\n") -> None:
        super().__init__(visa, termination=termination)
        self._peer = peer

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
            raise NoAnswer(f"nothing more came within {deadline.timeout:g} s") from fault
        if not count:
            raise LinkLost("the instrument closed the connection")
        peer._payload_remaining -= count
        ended = not peer._payload_remaining and peer._msg_type == _LAST
        if ended:
            peer._rmt = 1  # what the library's own read says of an answer that is complete
        if self.listener:
            self.listener(buffer[:count])
        return count, ended


def hislip_wire_of(visa: MessageBasedResource, *, termination: str = "\n") -> HislipWire | None:
    """The session's wire, if it is one of PyVISA-py over HiSLIP; else None."""
    session = getattr(visa.visalib, "sessions", {}).get(visa.session)
    peer = getattr(session, "interface", None)
    if not all(hasattr(peer, name) for name in _BOOKS) or not isinstance(getattr(peer, "_sync", None), socket.socket):
        return None
    return HislipWire(visa, peer, termination=termination)
