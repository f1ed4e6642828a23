"""Blocks over HiSLIP, read without the library: the same bytes, whatever the sizes of the messages that carry them."""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvisa

from wavewright.errors import BadAnswer, NoAnswer
from wavewright.instruments.connecting import open_link
from wavewright.instruments.hislip_wire import HislipWire, hislip_wire_of
from wavewright.instruments.link import Link
from wavewright.instruments.wire_settings import WireSettings
from wavewright.simulation.library import open_library
from wavewright.simulation.server.serving import BenchServer

SIM = Path(__file__).parents[2] / "sim"
BARE = WireSettings(timeout=0.3, identify="", clear_status="", error_query="", event_query="")
# Message types and header: IVI-6.1, from memory, not verified; tried with PyVISA-py 0.8.1.
HEADER = struct.Struct("!2sBBIQ")
DATA, DATA_END = 6, 7
OTHERS = {0: (1, 0x01000001), 17: (18, 0)}  # initialize and its asynchronous twin: what each is answered with


@contextmanager
def answering(*parts: tuple[int, bytes], stale: bytes = b"") -> Iterator[str]:
    """The address of a peer that answers every message with these: type and payload of each.

    `stale` : comes in front, with the number of a message that was never sent.
    """
    listening = socket.create_server(("127.0.0.1", 0))
    threads: list[threading.Thread] = []

    def talk(peer: socket.socket) -> None:
        with peer, peer.makefile("rb") as stream:
            while len(head := stream.read(HEADER.size)) == HEADER.size:
                _, kind, _, number, length = HEADER.unpack(head)
                stream.read(length)
                if kind in OTHERS:
                    answer, parameter = OTHERS[kind]
                    peer.sendall(HEADER.pack(b"HS", answer, 0, parameter, 0))
                elif kind == 15:
                    peer.sendall(HEADER.pack(b"HS", 16, 0, 0, 8) + struct.pack("!Q", 1 << 20))
                elif kind == 7:
                    if stale:
                        peer.sendall(HEADER.pack(b"HS", DATA_END, 0, 4, len(stale)) + stale)
                    for each, payload in parts:
                        peer.sendall(HEADER.pack(b"HS", each, 0, number, len(payload)) + payload)

    def accept() -> None:
        while True:
            try:
                peer = listening.accept()[0]
            except OSError:
                return
            threads.append(threading.Thread(target=talk, args=(peer,), daemon=True))
            threads[-1].start()

    accepting = threading.Thread(target=accept, daemon=True)
    accepting.start()
    try:
        yield f"TCPIP0::127.0.0.1::hislip0,{listening.getsockname()[1]}::INSTR"
    finally:
        with suppress(OSError):  # Windows refuses that, and wakes the thread at the close
            listening.shutdown(socket.SHUT_RDWR)  # wakes the thread that waits in accept
        listening.close()
        accepting.join()


@contextmanager
def link_to(address: str) -> Iterator[Link]:
    link = open_link(pyvisa.ResourceManager("@py"), address, manners=BARE)
    try:
        yield link
    finally:
        link.close()


WHOLE = b"#212" + bytes(range(5, 17)) + b"\n"  # with an NL among its bytes
IN_PARTS = {
    "one message": [(DATA_END, WHOLE)],
    "a message a byte": [*((DATA, bytes([byte])) for byte in WHOLE[:-1]), (DATA_END, WHOLE[-1:])],
    "cut in the header": [(DATA, WHOLE[:2]), (DATA_END, WHOLE[2:])],
    "empty messages between": [(DATA, b""), (DATA, WHOLE[:9]), (DATA, b""), (DATA_END, WHOLE[9:])],
    "an empty message at the end": [(DATA, WHOLE), (DATA_END, b"")],
}


@pytest.mark.parametrize("parts", IN_PARTS.values(), ids=IN_PARTS)
def test_the_sizes_of_messages_do_not_matter(parts: list[tuple[int, bytes]]) -> None:
    with answering(*parts) as address, link_to(address) as link:
        for _ in range(3):
            assert link.ask_block("CODES?").tobytes() == WHOLE[4:-1]


def test_an_answer_to_another_message_is_passed_over() -> None:
    with answering((DATA_END, WHOLE), stale=b"#13abc\n") as address, link_to(address) as link:
        assert link.ask_block("CODES?").tobytes() == WHOLE[4:-1]


def test_text_and_blocks_take_turns() -> None:
    with answering((DATA_END, b"#13ab\n\n")) as address, link_to(address) as link:
        assert link.ask_block("CODES?").tobytes() == b"ab\n"
        assert link.ask_bytes("CODES?", 6).tobytes() == b"#13ab\n"
    with answering((DATA_END, b"1.5\n")) as address, link_to(address) as link:
        assert link.ask("LEVel?") == "1.5"
        with pytest.raises(BadAnswer):
            link.ask_block("CODES?")


WRONG = {
    "cut short": ([(DATA_END, WHOLE[:-3] + b"\n")], BadAnswer, "cut short: 11 of 12 bytes"),
    "too long": ([(DATA_END, WHOLE[:-1] + b"xyz\n")], BadAnswer, "more bytes"),
    "never ended": ([(DATA, WHOLE[:-3])], BadAnswer, "cut short: 10 of 12 bytes"),
    "nothing at all": ([], NoAnswer, "nothing more came within 0.3 s"),
}


@pytest.mark.parametrize("parts, kind, said", WRONG.values(), ids=WRONG)
def test_a_block_that_is_wrong_is_one_clear_error(
    parts: list[tuple[int, bytes]], kind: type[Exception], said: str
) -> None:
    with answering(*parts) as address, link_to(address) as link, pytest.raises(kind, match=said):
        link.ask_block("CODES?")


def test_a_record_of_many_messages_brings_the_bytes_of_the_library(tmp_path: Path) -> None:
    points = 2_500_000  # the largest message is 1 MiB

    def codes(manager: Any, address: str) -> np.ndarray:
        link = open_link(manager, address, manners=WireSettings(timeout=10.0))
        for message in ("*RST", "FORMat:DATA INTeger,8", f"SENSe:SWEep:POINts {points}", "INITiate"):
            link.write(message)
        link.ask("*OPC?")
        data = link.ask_block('SENSe:DATA? "XTIMe:VOLTage 1"')
        link.close()
        return data

    resource = "TCPIP0::digitizer.example::inst0::INSTR"
    library = open_library(str(SIM / "instruments.yaml"), settings={"board": str(SIM / "vc204.yaml"), "seed": 204})
    expected = codes(pyvisa.ResourceManager(library), resource)
    with BenchServer(SIM / "bench.yaml", hislip=True) as server:
        came = codes(pyvisa.ResourceManager("@py"), server.addresses[resource])
    assert came.size == points
    assert np.array_equal(came, expected)


def test_the_quick_way_is_taken_over_hislip_and_only_there() -> None:
    # if PyVISA-py keeps its books otherwise one day, this tells that blocks have become slow
    with answering() as address:
        visa: Any = pyvisa.ResourceManager("@py").open_resource(address)
        assert isinstance(hislip_wire_of(visa), HislipWire)
        visa.close()
    listening = socket.create_server(("127.0.0.1", 0))
    plain: Any = pyvisa.ResourceManager("@py").open_resource(f"TCPIP0::127.0.0.1::{listening.getsockname()[1]}::SOCKET")
    assert hislip_wire_of(plain) is None
    plain.close()
    listening.close()
