"""What goes over one link, into the wire log and, for those who debug, into Python's log."""

from __future__ import annotations

import logging

from wavewright.instruments.block_reader import Bytes
from wavewright.instruments.scpi import shorten
from wavewright.instruments.wire_log import WireLog

log = logging.getLogger(__name__)


class Dialogue:
    """The record of one link; without a wire log only the log of Python is left."""

    def __init__(self, name: str, wire_log: WireLog | None) -> None:
        self._name, self._wire_log = name, wire_log

    def sent(self, data: bytes, block: bytes | None = None) -> None:
        """A message, terminator included; of one with a block the text in front of it."""
        if self._wire_log:
            self._wire_log.sent(self._name, data)
            if block is not None:
                self._wire_log.block(self._name, block, direction=">")
        if log.isEnabledFor(logging.DEBUG):
            log.debug("%s > %s", self._name, shorten(data, 80))

    def received(self, data: bytes) -> None:
        """An answer, as it came."""
        if self._wire_log:
            self._wire_log.received(self._name, data)
        if log.isEnabledFor(logging.DEBUG):
            log.debug("%s < %s", self._name, shorten(data, 80))

    def received_block(self, head: bytes, data: Bytes) -> None:
        """A block: its header, and its content, shape (bytes,)."""
        if self._wire_log:
            self._wire_log.received(self._name, head)
            self._wire_log.block(self._name, data.data)
        log.debug("%s < block of %d bytes", self._name, data.size)

    def event(self, words: str) -> None:
        """Something about the link itself."""
        if self._wire_log:
            self._wire_log.event(self._name, words)
        log.debug("%s = %s", self._name, words)
