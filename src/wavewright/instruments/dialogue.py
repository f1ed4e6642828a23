"""What goes over one link, into the wire log and, for those who debug, into Python's log."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from wavewright.instruments.scpi import shorten
from wavewright.instruments.wire_log import BlockDigest

if TYPE_CHECKING:
    from wavewright.instruments.block_reader import Bytes
    from wavewright.instruments.wire_log import WireLog
    from wavewright.instruments.wires import Wire

log = logging.getLogger(__name__)
KEPT = 4096  # bytes of an answer that went wrong, where blocks are not kept


class Dialogue:
    """The record of one link; without a wire log only the log of Python is left."""

    def __init__(self, name: str, wire_log: WireLog | None) -> None:
        self._name, self._wire_log = name, wire_log
        self._heard, self._heard_in_all = bytearray(), 0  # what came of an answer that is not complete yet

    def sent(self, data: bytes, block: bytes | None = None) -> None:
        """A message, terminator included; of one with a block the text in front of it."""
        if self._wire_log:
            self._wire_log.sent(self._name, data)
            if block is not None:
                self._wire_log.block(self._name, block, direction=">")
        if log.isEnabledFor(logging.DEBUG):
            log.debug("%s > %s", self._name, shorten(data, 80))

    def listens_to(self, wire: Wire) -> Wire:
        """The same wire, which reports each byte that comes, where there is a wire log."""
        wire.listener = self._hear if self._wire_log else None
        return wire

    def begin_exchange(self) -> None:
        """An exchange; nothing of its answer has come yet."""
        if self._heard_in_all:
            self._heard, self._heard_in_all = bytearray(), 0

    def abort_exchange(self) -> None:
        """It has failed; what had come of the answer goes on record."""
        if self._wire_log and self._heard:
            self._wire_log.received(self._name, bytes(self._heard))
            if self._heard_in_all > len(self._heard):
                self.event(f"{self._heard_in_all} bytes came, the first {len(self._heard)} are kept")
        self._heard = bytearray()

    def _hear(self, data: bytes | memoryview) -> None:
        assert self._wire_log is not None  # else nobody listens
        self._heard_in_all += len(data)
        room = len(data) if self._wire_log.is_full else max(KEPT - len(self._heard), 0)
        self._heard += data[:room]

    def received(self, data: bytes) -> None:
        """An answer, as it came."""
        self._heard = bytearray()
        if self._wire_log:
            self._wire_log.received(self._name, data)
        if log.isEnabledFor(logging.DEBUG):
            log.debug("%s < %s", self._name, shorten(data, 80))

    def begin_block(self) -> BlockDigest:
        """What is shown the content of a block while it comes, and then goes to `received_block`."""
        return BlockDigest(is_wanted=self._wire_log is not None)

    def received_block(self, head: bytes, data: Bytes, digest: BlockDigest | None = None) -> None:
        """A block: its header, and its content, shape (bytes,); the digest, if any, has been shown all of it."""
        self._heard = bytearray()
        if self._wire_log:
            self._wire_log.received_block(self._name, head, data.data, digest=digest.words if digest else "")
        log.debug("%s < block of %d bytes", self._name, data.size)

    def status_byte(self, byte: int) -> int:
        """What a serial poll brought; the byte again."""
        self.event(f"status byte {byte}")
        return byte

    def event(self, words: str) -> None:
        """Something about the link itself."""
        if self._wire_log:
            self._wire_log.event(self._name, words)
        log.debug("%s = %s", self._name, words)
