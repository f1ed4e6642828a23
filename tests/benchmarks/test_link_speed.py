"""Speed of the link: blocks over a loopback socket, against PyVISA's usual way and against the bare socket.

All ways are measured in one run, over the same wire, with the same peer in a process of its own; what counts are the
ratios. Run `python -m tests.benchmarks.test_link_speed` for the table.
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
from typing import Any

import numpy as np
import pytest
import pyvisa

from wavewright.instruments.connecting import open_link
from wavewright.instruments.link import Link
from wavewright.instruments.manners import Manners

ROUNDS = 5
MEGABYTE = 1_000_000
# The peer: answers *IDN?, and blocks of random bytes, of NL only, or of a size; all prepared before it listens.
PEER = """
import os, socket
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
while True:
    peer, _ = listening.accept()
    peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    pending = b""
    while data := peer.recv(65536):
        pending += data
        while b"\\n" in pending:
            message, _, pending = pending.partition(b"\\n")
            if answer := answers.get(message.strip()):
                peer.sendall(answer)
    peer.close()
"""


@contextmanager
def peer() -> Iterator[int]:
    """The port of a peer in its own process."""
    process = subprocess.Popen([sys.executable, "-c", PEER], stdout=subprocess.PIPE, text=True)
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


def _duration(call: Callable[[], object]) -> float:
    begin = time.perf_counter()
    call()
    return time.perf_counter() - begin


def bare_socket(port: int, message: bytes, count: int) -> float:
    """The same block with nothing but `recv_into`, s."""
    head = 2 + len(str(count))
    buffer = memoryview(bytearray(head + count + 1))
    with socket.create_connection(("127.0.0.1", port)) as wire:

        def read() -> None:
            wire.sendall(message + b"\n")
            have = 0
            while have < len(buffer):
                have += wire.recv_into(buffer[have:])

        return median_time(read)


def usual_way(port: int, message: str, rounds: int = ROUNDS) -> float:
    """PyVISA's `query_binary_values` with the termination character set, as one must on a socket, s."""
    visa: Any = pyvisa.ResourceManager("@py").open_resource(f"TCPIP0::127.0.0.1::{port}::SOCKET")
    visa.read_termination = visa.write_termination = "\n"
    visa.timeout = 60_000
    try:
        return median_time(lambda: visa.query_binary_values(message, datatype="b", container=np.ndarray), rounds=rounds)
    finally:
        visa.close()


@contextmanager
def our_link(port: int) -> Iterator[Link]:
    """A link to the peer."""
    link = open_link(pyvisa.ResourceManager("@py"), f"TCPIP0::127.0.0.1::{port}::SOCKET", manners=Manners(timeout=60.0))
    try:
        yield link
    finally:
        link.close()


def shots(port: int) -> tuple[float, float]:
    """Duration of a shot of 1000 samples: by our link, and by a hand-written loop with the same messages, s."""
    with our_link(port) as link:

        def ours() -> None:
            for _ in range(200):
                link.write("INITiate")
                link.ask("*OPC?")
                link.ask_block("SMALl?").view(np.int8)

        own = median_time(ours) / 200
    visa: Any = pyvisa.ResourceManager("@py").open_resource(f"TCPIP0::127.0.0.1::{port}::SOCKET")
    visa.read_termination = visa.write_termination = "\n"

    def by_hand() -> None:
        for _ in range(200):
            visa.write("INITiate")
            visa.query("*OPC?")
            visa.query_binary_values("SMALl?", datatype="b", container=np.ndarray)

    hand = median_time(by_hand) / 200
    visa.close()
    return own, hand


def measure() -> list[tuple[str, float, float]]:
    """Rows of name, ratio, and the least that it must be."""
    rows = []
    with peer() as port:
        with our_link(port) as link:
            random1 = median_time(lambda: link.ask_block("RANDom1?"))
            random10 = median_time(lambda: link.ask_block("RANDom10?"))
            flat1 = median_time(lambda: link.ask_block("FLAT1?"))
        rows.append(("1 MB of random bytes, times PyVISA's usual way", usual_way(port, "RANDom1?") / random1, 10.0))
        rows.append(("10 MB of random bytes, times PyVISA's usual way", usual_way(port, "RANDom10?") / random10, 10.0))
        rows.append(("1 MB of NL, times 1 MB of random bytes", random1 / flat1, 0.8))
        rows.append(("1 MB of NL, times PyVISA's usual way", usual_way(port, "FLAT1?", rounds=1) / flat1, 10.0))
        bare = bare_socket(port, b"RANDom10?", 10 * MEGABYTE)
        rows.append(("10 MB, share of a bare socket's speed", bare / random10, 0.5))
        own, hand = shots(port)
        rows.append(("shots of 1000 samples a second, times a loop by hand", hand / own, 0.9))
    return rows


def peak_memory(port: int, message: str) -> int:
    """Most memory in use while a block comes, bytes."""
    with our_link(port) as link:
        link.ask_block(message)
        tracemalloc.start()
        link.ask_block(message)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    return peak


@pytest.mark.slow
def test_a_block_costs_its_own_bytes_and_one_chunk() -> None:
    from wavewright.instruments.wires import CHUNK

    with peer() as port:
        assert peak_memory(port, "RANDom10?") < 10 * MEGABYTE + CHUNK


@pytest.mark.slow
def test_blocks_over_a_socket(benchmark: Any) -> None:
    with peer() as port, our_link(port) as link:
        data = benchmark(link.ask_block, "RANDom10?")
        assert data.size == 10 * MEGABYTE


def main() -> None:
    """Print the table."""
    for name, ratio, target in measure():
        print(f"{name:58} {ratio:8.2f}   at least {target:g}   {'ok' if ratio >= target else 'MISSED'}")
    with peer() as port:
        print(f"{'peak memory of a 10 MB block, times the block':58} {peak_memory(port, 'RANDom10?') / 1e7:8.3f}")


if __name__ == "__main__":
    main()
