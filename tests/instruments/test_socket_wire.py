"""A record off a raw socket: the reader is woken for large parts, and takes what came where no more comes."""

from __future__ import annotations

import signal
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any

import pytest

from wavewright.errors import NoAnswer
from wavewright.instruments import socket_wire
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.socket_wire import MANY, SocketWire
from wavewright.instruments.waits import until_ready
from wavewright.instruments.wires import CHUNK

Pair = tuple[socket.socket, SocketWire]


@contextmanager
def connected() -> Iterator[Pair]:
    """The instrument's end, and ours."""
    with socket.create_server(("127.0.0.1", 0)) as server, socket.create_connection(server.getsockname()) as ours:
        instrument, _ = server.accept()
        session: Any = SimpleNamespace(close=lambda: None)
        with instrument:
            yield instrument, SocketWire(session, ours)


@pytest.fixture
def pair() -> Iterator[Pair]:
    with connected() as both:
        yield both


@pytest.mark.posix("the socket option is POSIX's")
def test_a_large_part_of_a_record_wakes_the_reader_once(monkeypatch: pytest.MonkeyPatch) -> None:
    # given a first packet, and an instrument that sends the others while the reader waits, with all the time it wants
    monkeypatch.setattr(socket_wire, "SLICE", 60.0)
    with connected() as (instrument, wire), ThreadPoolExecutor(1) as other:
        assert wire._is_bounded
        instrument.sendall(bytes(MANY // 2))
        others = other.submit(instrument.sendall, bytes(CHUNK - MANY // 2))
        # when a part is read, it is not the first packet alone
        assert wire.read_into(memoryview(bytearray(2 * CHUNK)), Deadline(120.0)) == (CHUNK, False)
        others.result()


@pytest.mark.posix("the socket option is POSIX's")
def test_a_signal_ends_the_wait_for_a_record(pair: Pair) -> None:
    class Stopped(Exception):
        pass

    def stop(number: int, frame: object) -> None:
        raise Stopped

    instrument, wire = pair
    instrument.sendall(bytes(1000))
    before = signal.signal(signal.SIGUSR1, stop)
    main = threading.main_thread().ident
    assert main is not None
    sender = threading.Thread(target=signal.pthread_kill, args=(main, signal.SIGUSR1))

    def read_for_ever() -> None:
        sender.start()
        while True:
            wire.read_into(memoryview(bytearray(CHUNK)), Deadline(60.0))

    try:
        with pytest.raises(Stopped):
            read_for_ever()
        sender.join()
    finally:
        signal.signal(signal.SIGUSR1, before)


@pytest.mark.parametrize("timeout", [0.01, 0.12])
def test_silence_ends_with_the_deadline(pair: Pair, timeout: float) -> None:
    instrument, wire = pair
    instrument.sendall(b"1")
    with pytest.raises(NoAnswer, match="nothing more came"):
        wire.read_line(Deadline(timeout))
    # nor does a part of a record that stays the only one keep the reader
    assert wire.drain(Deadline(60.0)) == b"1"
    with pytest.raises(NoAnswer, match="nothing more came"):
        wire.read_into(memoryview(bytearray(CHUNK)), Deadline(timeout))


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


def test_what_comes_after_an_answer_is_noticed_once_the_system_is_asked(pair: Pair) -> None:
    instrument, wire = pair
    instrument.sendall(b"1\n2\n")
    assert wire.read_line(Deadline(60.0)) == b"1\n"
    assert wire.is_something_waiting()
    assert wire.read_line(Deadline(60.0)) == b"2\n"
    instrument.sendall(b"3\n")
    assert until_ready(wire._peer, 60.0)
    # the first question is that after the answer, the second that before the next query
    wire.is_something_waiting()
    assert wire.is_something_waiting()
