"""A record off a raw socket: the reader is woken for large parts, and takes what came where no more comes."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from wavewright.instruments import socket_wire
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.socket_wire import MANY, SocketWire
from wavewright.instruments.waits import until_ready
from wavewright.instruments.wires import CHUNK

Pair = tuple[socket.socket, SocketWire]


@pytest.fixture
def pair() -> Iterator[Pair]:
    """The instrument's end, and ours."""
    with socket.create_server(("127.0.0.1", 0)) as server, socket.create_connection(server.getsockname()) as ours:
        instrument, _ = server.accept()
        session: Any = SimpleNamespace(close=lambda: None)
        with instrument:
            yield instrument, SocketWire(session, ours)


@pytest.mark.posix("the socket option is POSIX's")
def test_a_large_part_of_a_record_wakes_the_reader_once(pair: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
    instrument, wire = pair
    # given a first packet, and an instrument that sends the others while the reader waits
    instrument.sendall(bytes(MANY // 2))

    def others_come(peer: socket.socket, seconds: float, *, to_send: bool = False) -> bool:
        instrument.sendall(bytes(CHUNK - MANY // 2))
        return until_ready(peer, 60.0, to_send=to_send)

    monkeypatch.setattr(socket_wire, "until_ready", others_come)
    # when a part is read, it is not the first packet alone
    assert wire.read_into(memoryview(bytearray(2 * CHUNK)), Deadline(60.0)) == (CHUNK, False)


def test_what_came_is_taken_where_no_more_comes(pair: Pair) -> None:
    instrument, wire = pair
    instrument.sendall(bytes(range(256)))
    buffer = bytearray(2 * CHUNK)
    assert wire.read_into(memoryview(buffer), Deadline(60.0)) == (256, False)
    assert buffer[:256] == bytes(range(256))
    # and a short answer after it is not waited for as if it were a record
    instrument.sendall(b"1\n")
    assert until_ready(wire._peer, 60.0)
    assert wire.is_something_waiting()
    assert wire.read_line(Deadline(60.0)) == b"1\n"
