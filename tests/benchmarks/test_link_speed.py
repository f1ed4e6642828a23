"""Speed of the link: blocks over the loopback interface, against PyVISA's usual way and against the bare socket.

All ways are measured in one run, over the same wire, with the same peer in a process of its own; what counts are the
ratios. What takes as little as a megabyte takes turns, and so do all ways over HiSLIP: a busy moment of the machine
meets both, and so does the receive buffer, which the system lets grow with the largest block that came over a link so
far: after one of 10 MB each of 1 MB takes twice as long, of whatever bytes.
Run `python -m tests.benchmarks.test_link_speed` for the table.
"""

from __future__ import annotations

import socket
import statistics
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any

import numpy as np
import pytest
import pyvisa

from wavewright.instruments.connecting import open_link
from wavewright.instruments.link import Link
from wavewright.instruments.wire_settings import WireSettings
from wavewright.instruments.wires import CHUNK

ROUNDS = 5
MANY_ROUNDS = 200  # of what takes less than a millisecond: a busy moment lasts longer than five of them
SHOTS = 200  # in one go
MEGABYTE = 1_000_000
# The peer: answers *IDN?, and blocks of random bytes, of NL only, or of a size; all prepared before it listens.
PEER = """
import os, socket, threading
listening = socket.create_server(("127.0.0.1", 0))
print(listening.getsockname()[1], flush=True)
def block(data):
    count = str(len(data)).encode()
    return b"#" + str(len(count)).encode() + count + data + b"\\n"
answers = {
    b"*IDN?": b"Reedbank,Peer,0,1.0\\n", b"*OPC?": b"1\\n", b"SYSTem:ERRor?": b'0,"No error"\\n',
    b"RANDom1?": block(os.urandom(1_000_000)), b"RANDom10?": block(os.urandom(10_000_000)),
    b"FLAT1?": block(b"\\n" * 1_000_000), b"SMALl?": block(os.urandom(1000)),
}
def talk(peer):
    peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    pending = b""
    while data := peer.recv(65536):
        pending += data
        while b"\\n" in pending:
            message, _, pending = pending.partition(b"\\n")
            if answer := answers.get(message.strip()):
                peer.sendall(answer)
    peer.close()
while True:
    threading.Thread(target=talk, args=(listening.accept()[0],), daemon=True).start()
"""
# A peer that speaks as much HiSLIP as this takes (IVI-6.1, message types and header from memory, not verified; tried
# with PyVISA-py 0.8.1): both channels are opened, a message size is agreed on, each query is answered in messages of
# that size.
HISLIP_PEER = """
import os, socket, struct, threading
listening = socket.create_server(("127.0.0.1", 0))
print(listening.getsockname()[1], flush=True)
header = struct.Struct("!2sBBIQ")
def block(data):
    count = str(len(data)).encode()
    return memoryview(b"#" + str(len(count)).encode() + count + data + b"\\n")
answers = {
    b"*IDN?": memoryview(b"Reedbank,Peer,0,1.0\\n"), b"RANDom10?": block(os.urandom(10_000_000)),
    b"FLAT10?": block(b"\\n" * 10_000_000), b"RANDom1?": block(os.urandom(1_000_000)),
}
largest = [1 << 20]
def exactly(peer, count):
    got = b""
    while len(got) < count:
        part = peer.recv(count - len(got))
        if not part:
            raise SystemExit
        got += part
    return got
def answer(peer, content, message):
    size = largest[0] - header.size
    for first in range(0, len(content), size):
        part = content[first : first + size]
        kind = 7 if first + size >= len(content) else 6
        peer.sendall(header.pack(b"HS", kind, 0, message, len(part)))
        peer.sendall(part)
def talk(peer):
    peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    while True:
        _, kind, control, parameter, length = header.unpack(exactly(peer, header.size))
        payload = exactly(peer, length)
        if kind == 0:
            peer.sendall(header.pack(b"HS", 1, 0, 0x01000001, 0))
        elif kind == 17:
            peer.sendall(header.pack(b"HS", 18, 0, 0, 0))
        elif kind == 15:
            largest[0] = struct.unpack("!Q", payload)[0]
            peer.sendall(header.pack(b"HS", 16, 0, 0, 8) + struct.pack("!Q", 1 << 20))
        elif kind == 7 and payload.strip() in answers:
            answer(peer, answers[payload.strip()], parameter)
while True:
    threading.Thread(target=talk, args=(listening.accept()[0],), daemon=True).start()
"""


@contextmanager
def peer(program: str = PEER) -> Iterator[int]:
    """The port of a peer in its own process."""
    process = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        yield int(process.stdout.readline())
    finally:
        process.terminate()
        process.wait()


def median_time(call: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Median duration of a call, s; one call to warm up."""
    call()
    return statistics.median(_duration(call) for _ in range(rounds))


def in_turns(*calls: Callable[[], object], rounds: int) -> list[float]:
    """Median durations of calls that take turns, s; one of each to warm up."""
    for call in calls:
        call()
    taken = [[_duration(call) for call in calls] for _ in range(rounds)]
    return [statistics.median(durations) for durations in zip(*taken, strict=True)]


def _duration(call: Callable[[], object]) -> float:
    begin = time.perf_counter()
    call()
    return time.perf_counter() - begin


@contextmanager
def bare_socket(port: int, message: bytes, count: int) -> Iterator[Callable[[], object]]:
    """Reads the same block with nothing but `recv_into`."""
    head = 2 + len(str(count))
    buffer = memoryview(bytearray(head + count + 1))
    with socket.create_connection(("127.0.0.1", port)) as wire:

        def read() -> None:
            wire.sendall(message + b"\n")
            have = 0
            while have < len(buffer):
                have += wire.recv_into(buffer[have:])

        yield read


def usual_way(port: int, message: str, rounds: int = ROUNDS) -> float:
    """PyVISA's `query_binary_values` with the termination character set, as one must on a socket, s."""
    visa: Any = pyvisa.ResourceManager("@py").open_resource(socket_address(port))
    visa.read_termination = visa.write_termination = "\n"
    visa.timeout = 60_000
    try:
        return median_time(lambda: visa.query_binary_values(message, datatype="b", container=np.ndarray), rounds=rounds)
    finally:
        visa.close()


def socket_address(port: int) -> str:
    """Of the peer's raw socket."""
    return f"TCPIP0::127.0.0.1::{port}::SOCKET"


def hislip_address(port: int) -> str:
    """Of the peer's HiSLIP port."""
    return f"TCPIP0::127.0.0.1::hislip0,{port}::INSTR"


@contextmanager
def our_link(address: str) -> Iterator[Link]:
    """A link to a peer."""
    link = open_link(pyvisa.ResourceManager("@py"), address, manners=WireSettings(timeout=60.0))
    try:
        yield link
    finally:
        link.close()


def over_hislip(port: int) -> list[tuple[str, float, float]]:
    """Rows of blocks over HiSLIP: our link and PyVISA's usual way, its chunk as it comes and as large as a message."""
    rows = []
    with our_link(hislip_address(port)) as link:
        visa: Any = pyvisa.ResourceManager("@py").open_resource(hislip_address(port))
        visa.timeout = 60_000

        def usual(message: str, chunk_size: int | None = None) -> object:
            return visa.query_binary_values(message, datatype="b", container=np.ndarray, chunk_size=chunk_size)

        for what, message, rounds in (
            ("1 MB of random bytes", "RANDom1?", MANY_ROUNDS),
            ("10 MB of random bytes", "RANDom10?", 40),
            ("10 MB of NL", "FLAT10?", 40),
        ):
            ways = partial(link.ask_block, message), partial(usual, message), partial(usual, message, MEGABYTE)
            own, plain, large = in_turns(*ways, rounds=rounds)
            rows.append((f"HiSLIP, {what}, times PyVISA's usual way", plain / own, 1.0))
            rows.append((f"HiSLIP, {what}, times that with chunks of 1 MB", large / own, 1.0))
        visa.close()
    return rows


def shots(port: int) -> tuple[float, float, float]:
    """Duration of a shot of 1000 samples, s: by our link, by a loop by hand with the same messages, and by that loop
    where it too has small messages sent at once, which PyVISA-py 0.8.1 has no attribute for.
    """

    def ours(link: Link) -> None:
        for _ in range(SHOTS):
            link.write("INITiate")
            link.ask("*OPC?")
            link.ask_block("SMALl?").view(np.int8)

    def by_hand(visa: Any, count: int) -> None:
        for _ in range(count):
            visa.write("INITiate")
            visa.query("*OPC?")
            visa.query_binary_values("SMALl?", datatype="b", container=np.ndarray)

    visa: Any = pyvisa.ResourceManager("@py").open_resource(socket_address(port))
    visa.read_termination = visa.write_termination = "\n"
    few = SHOTS // 10  # each waits 40 ms for an acknowledgement
    hand = median_time(partial(by_hand, visa, few), rounds=2) / few
    visa.visalib.sessions[visa.session].interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    with our_link(socket_address(port)) as link:
        own, at_once = in_turns(partial(ours, link), partial(by_hand, visa, SHOTS), rounds=2 * ROUNDS)
    visa.close()
    return own / SHOTS, hand, at_once / SHOTS


def measure() -> list[tuple[str, float, float]]:
    """Rows of name, ratio, and the least that it must be."""
    rows = []
    with peer() as port:
        with our_link(socket_address(port)) as link:
            blocks = [partial(link.ask_block, message) for message in ("RANDom1?", "FLAT1?")]
            random1, flat1 = in_turns(*blocks, rounds=MANY_ROUNDS)
            random10 = median_time(lambda: link.ask_block("RANDom10?"))
        rows.append(("1 MB of random bytes, times PyVISA's usual way", usual_way(port, "RANDom1?") / random1, 10.0))
        rows.append(("10 MB of random bytes, times PyVISA's usual way", usual_way(port, "RANDom10?") / random10, 10.0))
        rows.append(("1 MB of NL, times 1 MB of random bytes", random1 / flat1, 0.8))
        rows.append(("1 MB of NL, times PyVISA's usual way", usual_way(port, "FLAT1?", rounds=1) / flat1, 10.0))
        with our_link(socket_address(port)) as link, bare_socket(port, b"RANDom10?", 10 * MEGABYTE) as read:
            own, bare = in_turns(partial(link.ask_block, "RANDom10?"), read, rounds=40)
        rows.append(("10 MB, share of a bare socket's speed", bare / own, 0.5))
        own, hand, at_once = shots(port)
        rows.append(("shots of 1000 samples per second, times a loop by hand", hand / own, 0.9))
        rows.append(("the same, times such a loop that sends at once", at_once / own, 0.9))
    with peer(HISLIP_PEER) as port:
        rows += over_hislip(port)
    return rows


def peak_memory(address: str, message: str) -> int:
    """Most memory in use while a block comes, bytes."""
    with our_link(address) as link:
        link.ask_block(message)
        tracemalloc.start()
        link.ask_block(message)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    return peak


@pytest.mark.slow
def test_a_block_costs_its_own_bytes_and_one_chunk() -> None:
    with peer() as port:
        assert peak_memory(socket_address(port), "RANDom10?") < 10 * MEGABYTE + CHUNK


@pytest.mark.slow
def test_a_block_over_hislip_costs_its_own_bytes_and_one_chunk() -> None:
    with peer(HISLIP_PEER) as port:
        assert peak_memory(hislip_address(port), "RANDom10?") < 10 * MEGABYTE + CHUNK


@pytest.mark.slow
def test_blocks_over_hislip(benchmark: Any) -> None:
    with peer(HISLIP_PEER) as port, our_link(hislip_address(port)) as link:
        data = benchmark(link.ask_block, "FLAT10?")
        assert data.size == 10 * MEGABYTE
        assert (data == 0x0A).all()


@pytest.mark.slow
def test_blocks_over_a_socket(benchmark: Any) -> None:
    with peer() as port, our_link(socket_address(port)) as link:
        data = benchmark(link.ask_block, "RANDom10?")
        assert data.size == 10 * MEGABYTE


def main() -> None:
    """Print the table."""
    for name, ratio, target in measure():
        print(f"{name:58} {ratio:8.2f}   at least {target:g}   {'ok' if ratio >= target else 'MISSED'}")
    with peer() as port, peer(HISLIP_PEER) as hislip_port:
        for wire, address in (("a socket", socket_address(port)), ("HiSLIP", hislip_address(hislip_port))):
            share = peak_memory(address, "RANDom10?") / (10 * MEGABYTE)
            print(f"{f'peak memory of a 10 MB block over {wire}, times the block':58} {share:8.3f}")


if __name__ == "__main__":
    main()
