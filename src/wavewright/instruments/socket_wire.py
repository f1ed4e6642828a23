"""A raw socket of PyVISA-py, read straight from the operating system into the caller's buffer.

The library's own `read` copies each byte three times, and keeps the processor busy until the time-out when the peer has
gone (seen with PyVISA-py 0.8.1). Any other session is left to `VisaWire`.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext, suppress
from functools import partial
from typing import TYPE_CHECKING, Protocol, TypeVar

from wavewright.errors import BadAnswer, LinkLost
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.waits import SLICE, until_ready
from wavewright.instruments.wires import CHUNK, LONGEST_LINE, Listener, Wire

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

T = TypeVar("T")

FEW, READ_AHEAD = 16, 2048  # bytes
# Bytes: a part of a record from here on is waited for as a whole. Woken for every packet, the reader takes the
# interpreter from the evaluation of the shot before, which then takes a fifth longer (measured at 55 MB/s).
MANY = 64 * 1024
MOST = 1 << 20  # bytes; a larger part is out of the processor's cache when it is looked at
_MOST_DRAINED = 1 << 24  # bytes
_WITHOUT_WAITING = int(getattr(socket, "MSG_DONTWAIT", 0))  # 0 where there is no such: `select` is asked first there
_PEEK = int(socket.MSG_PEEK) | _WITHOUT_WAITING
_ALL = int(getattr(socket, "MSG_WAITALL", 0))


def wire_of(visa: MessageBasedResource, *, termination: str = "\n") -> Wire:
    """The quickest way to read this session that there is."""
    peer = _socket_of(visa)
    if peer is None:
        from wavewright.instruments.visa_wire import VisaWire

        return VisaWire(visa, termination=termination)
    return SocketWire(visa, peer, termination=termination)


class Session(Protocol):
    """What ends with the wire."""

    def close(self) -> None:
        """Let go of it."""


class SocketWire:
    """A raw socket, of PyVISA-py say, read without the library in between.

    Parameters
    ----------
    session : that the socket belongs to, or the socket itself.
    """

    has_end_marks = False
    listener: Listener | None = None

    def __init__(self, session: Session, peer: socket.socket, *, termination: str = "\n") -> None:
        self._session = session
        self._peer = peer
        # PyVISA-py 0.8.1 leaves it off: then a query after two messages waits 40 ms for the peer's acknowledgement
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._termination = termination[-1:].encode() or b"\n"
        self._is_bounded = _is_bounded(peer)
        self._ahead = bytearray()  # came with the end of a line, after it
        self._was_emptied = False  # the last line was read together with all that had come by then

    def send(self, data: bytes, deadline: Deadline) -> None:
        """All bytes, in one message as far as the wire knows such."""
        view = memoryview(data)
        while view:
            part = view[:CHUNK]
            view = view[self._when_ready(partial(self._peer.send, part, _WITHOUT_WAITING), deadline, to_send=True) :]

    def read_line(self, deadline: Deadline) -> bytes:
        """Bytes up to and including NL, or to the end mark."""
        searched = 0
        while (end := self._ahead.find(self._termination, searched)) < 0:
            searched = len(self._ahead)
            if searched > LONGEST_LINE:
                raise BadAnswer(f"an answer of {searched} bytes without an end")
            data = self._receive(deadline)
            self._was_emptied = len(data) < CHUNK
            self._ahead += data
        line = bytes(self._ahead[: end + 1])
        del self._ahead[: end + 1]
        return line

    def read_into(self, buffer: memoryview, deadline: Deadline) -> tuple[int, bool]:
        """At least one byte; how many, and whether the message ended with them."""
        if not self._ahead and len(buffer) <= FEW:  # a header comes with what follows it, in one call
            self._ahead += self._receive(deadline, READ_AHEAD)
        if self._ahead:
            count = min(len(buffer), len(self._ahead))
            buffer[:count] = self._ahead[:count]
            del self._ahead[:count]
            return count, False  # reported when it came
        size = _part_of(len(buffer))
        self._was_emptied = False
        count = self._received(partial(self._peer.recv_into, buffer, size), deadline, flags=_ALL if size >= MANY else 0)
        if not count:
            raise LinkLost("the instrument closed the connection")
        if self.listener:
            self.listener(buffer[:count])
        return count, False

    def termination_off(self) -> AbstractContextManager[None]:
        """Inside it NL is a byte like any other."""
        return nullcontext()

    def is_silent(self, duration: float) -> bool:
        """Whether nothing comes for this long, s."""
        return not self._ahead and not until_ready(self._peer, duration)

    def is_something_waiting(self) -> bool:
        """Whether bytes have arrived that nobody asked for."""
        if self._ahead:
            return True
        if self._was_emptied:  # a moment ago; whoever asks again asks the system
            self._was_emptied = False
            return False
        if not _WITHOUT_WAITING and not until_ready(self._peer, 0):
            return False
        try:
            first = self._peer.recv(1, _PEEK)
        except BlockingIOError:
            return False
        if not first:
            raise LinkLost("the instrument closed the connection")
        return True

    def drain(self, deadline: Deadline) -> bytes:
        """Throw away what has arrived, and return it."""
        seen = bytes(self._ahead)
        self._ahead.clear()
        while len(seen) < _MOST_DRAINED and not deadline.has_passed and until_ready(self._peer, 0.05):
            data = self._peer.recv(CHUNK)
            if not data:
                break
            seen += data
        return seen

    def clear(self, deadline: Deadline) -> bool:
        """False: a raw socket has no device clear."""
        return False

    def status_byte(self) -> int | None:
        """None: a raw socket has no serial poll."""
        return None

    def expect_requests(self) -> bool:
        """False: a raw socket carries no service request."""
        return False

    def wait_for_request(self, timeout: float) -> None:
        """Never called, since none can be expected."""
        raise NotImplementedError

    def close(self) -> None:
        """Let go of the session; never raises."""
        try:
            self._session.close()
        except Exception:  # other people's code, on a session that is given up anyway
            return

    def _receive(self, deadline: Deadline, most: int = CHUNK) -> bytes:
        data = self._received(partial(self._peer.recv, most), deadline)
        if not data:
            raise LinkLost("the instrument closed the connection")
        if self.listener:
            self.listener(data)
        return data

    def _received(self, call: Callable[[int], T], deadline: Deadline, *, flags: int = 0) -> T:
        """What a call on the socket, given flags, receives.

        One call that waits by itself, where the system ends it soon enough for a signal: each return from the system
        costs the wait for the interpreter, which the evaluation of the shot before may have.
        """
        while self._is_bounded and deadline.left() > SLICE:
            with suppress(BlockingIOError):
                return call(flags)
        return self._when_ready(partial(call, _WITHOUT_WAITING), deadline)

    def _when_ready(self, call: Callable[[], T], deadline: Deadline, *, to_send: bool = False) -> T:
        """What a call on the socket gives: at once if it need not wait, else as soon as the socket is ready for it."""
        is_ready = bool(_WITHOUT_WAITING)
        while True:
            left = deadline.left()
            if is_ready:
                try:
                    return call()
                except BlockingIOError:
                    pass
            is_ready = until_ready(self._peer, left, to_send=to_send)


def _part_of(left: int) -> int:
    """How many of the bytes that are left to read at once: few parts, and a last one that is soon dealt with."""
    return left if left <= CHUNK else min(max(left - CHUNK, CHUNK), MOST)


def _is_bounded(peer: socket.socket) -> bool:
    """Have what waits for bytes of this socket give up after SLICE; False where the system cannot, or need not wait."""
    if not _WITHOUT_WAITING or peer.gettimeout() is not None:
        return False
    try:
        peer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, struct.pack("ll", int(SLICE), round(1e6 * (SLICE % 1))))
    except (AttributeError, OSError):
        return False
    return True


def _socket_of(visa: MessageBasedResource) -> socket.socket | None:
    """The operating system's socket of a raw-socket session of PyVISA-py, where it can be had."""
    if visa.resource_class != "SOCKET":
        return None
    session = getattr(visa.visalib, "sessions", {}).get(visa.session)
    peer = getattr(session, "interface", None)
    untouched = not getattr(session, "_pending_buffer", b"?")  # nothing read by the library yet
    return peer if isinstance(peer, socket.socket) and untouched else None
