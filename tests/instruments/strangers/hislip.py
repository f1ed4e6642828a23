"""The same strangers over HiSLIP, where a message has an end mark and there is a device clear.

Message types and header: IVI-6.1, from memory, not verified; tried with PyVISA-py 0.8.1.
"""

from __future__ import annotations

import socket
import struct
from contextlib import suppress

from tests.instruments.program_units import units_of
from tests.instruments.strangers.faults import Fault, frozen
from tests.instruments.strangers.sockets import Stranger

HEADER = struct.Struct("!2sBBIQ")
DATA, DATA_END = 6, 7
# what is answered by a message without content: type and parameter
PLAIN = {0: (1, 0x01000001), 17: (18, 0), 19: (23, 0), 8: (9, 0), 21: (22, 0)}
SIZE, SIZE_ANSWER = 15, 16


class HislipStranger(Stranger):
    """Both channels of each session on one port; a dead device answers on neither."""

    _number = 0  # of the message that is being answered

    @property
    def address(self) -> str:
        return f"TCPIP0::127.0.0.1::hislip0,{self.port}::INSTR"

    @property
    def _is_dead(self) -> bool:
        return isinstance(self.fault, Fault) and self.fault.effect is frozen

    def _talk(self, peer: socket.socket) -> None:
        with peer, suppress(OSError, ValueError), peer.makefile("rb") as stream:
            while len(head := stream.read(HEADER.size)) == HEADER.size:
                _, kind, _, number, length = HEADER.unpack(head)
                content = stream.read(length)
                if self._is_dead:
                    continue
                if kind in PLAIN:
                    answer, parameter = PLAIN[kind]
                    peer.sendall(HEADER.pack(b"HS", answer, 0, parameter, 0))
                elif kind == SIZE:
                    peer.sendall(HEADER.pack(b"HS", SIZE_ANSWER, 0, 0, 8) + struct.pack("!Q", 1 << 20))
                elif kind == DATA_END:
                    message = content.decode("ascii").rstrip("\n")
                    self.heard += units_of(message)
                    self._number = number
                    if not self._reply(peer, message):
                        self.hang_up()
                        return

    def _send(self, peer: socket.socket, piece: bytes) -> None:
        peer.sendall(HEADER.pack(b"HS", DATA, 0, self._number, len(piece)) + piece)

    def _end(self, peer: socket.socket) -> None:
        peer.sendall(HEADER.pack(b"HS", DATA_END, 0, self._number, 0))
