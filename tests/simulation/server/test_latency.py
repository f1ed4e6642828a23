"""The latency of a served bench, on a clock of the test's own: no second passes, and every time is exact."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.simulation.conftest import SIM, opened
from tests.simulation.server.test_hislip import hislip, send
from tests.simulation.server.test_serving import address
from wavewright.errors import Misuse
from wavewright.simulation.scpi.device import ScpiDevice
from wavewright.simulation.server import raw_socket
from wavewright.simulation.server.hislip import HislipSession
from wavewright.simulation.server.hislip_messages import RMT_DELIVERED, Message, Type
from wavewright.simulation.server.hub import Hub
from wavewright.simulation.server.raw_socket import RawSocketConnection
from wavewright.simulation.server.serving import BenchServer

LATENCY = 5e-3
HEADER = struct.Struct("!2sBBIQ")


class TestClock(asyncio.SelectorEventLoop):
    """An event loop on which waiting takes no time: its clock goes on to the next timer at once."""

    __test__ = False

    def __init__(self) -> None:
        super().__init__()
        self.now = 0.0
        select = self._selector.select  # type: ignore[attr-defined]

        def at_once(timeout: float | None = None) -> Any:
            self.now += timeout or 0.0
            return select(0)

        self._selector.select = at_once  # type: ignore[attr-defined]

    def time(self) -> float:
        return self.now


class Line(asyncio.Transport):
    """The client's end of a raw socket, or of a channel: what came, and when."""

    def __init__(self) -> None:
        super().__init__()
        self.came: list[tuple[float, bytes]] = []
        self.is_open = True

    @property
    def transport(self) -> Line:
        return self

    def write(self, data: Any) -> None:
        self.came.append((asyncio.get_running_loop().time(), bytes(data)))

    def close(self) -> None:
        self.is_open = False

    abort = close

    @property
    def times(self) -> list[float]:
        return [round(when, 6) for when, _ in self.came]

    @property
    def messages(self) -> list[tuple[float, int, int, bytes]]:
        """HiSLIP: when, type, parameter and payload of each."""
        cut = [(when, HEADER.unpack(data[:16]), data[16:]) for when, data in self.came]
        return [(round(when, 6), head[1], head[3], payload) for when, head, payload in cut]


def on_test_clock(play: Callable[[Hub, ScpiDevice], None]) -> None:
    """Play a scene with the simulated digitizer, and let all timers come."""
    devices = opened().instruments
    digitizer = devices["TCPIP0::digitizer.example::inst0::INSTR"]

    async def whole() -> None:
        play(Hub(devices), digitizer)
        await asyncio.sleep(100.0)

    def played() -> None:
        with closing(TestClock()) as loop:
            loop.run_until_complete(whole())

    with ThreadPoolExecutor(1) as another:  # a browser that an earlier test has started keeps a loop in this thread
        another.submit(played).result()


def socket_to(hub: Hub, device: ScpiDevice, latency: float = LATENCY) -> tuple[RawSocketConnection, Line]:
    connection, line = RawSocketConnection(hub, device, latency=latency), Line()
    connection.connection_made(line)
    return connection, line


def later(seconds: float, then: Callable[..., object], *arguments: object) -> None:
    asyncio.get_running_loop().call_later(seconds, then, *arguments)


def test_each_answer_takes_its_time_and_a_command_none() -> None:
    lines: list[Line] = []

    def play(hub: Hub, device: ScpiDevice) -> None:
        connection, line = socket_to(hub, device)
        lines.append(line)
        connection.data_received(b"*CLS\n*ESE 1\nTRIGger:LEVel 1.5\n*ESE?\n")  # the three commands are not waited for
        later(1.0, connection.data_received, b"*ESE?\n*OPC?\nTRIGger:LEVel?;*ESE?\n")  # three messages, four queries

    on_test_clock(play)
    assert [data for _, data in lines[0].came] == [b"1\n", b"1\n", b"1\n", b"1.5E+00;1\n"]
    assert lines[0].times == [0.005, 1.005, 1.01, 1.015], "of three at once each waits for the one before"


def test_a_long_answer_takes_no_longer_than_a_short_one(monkeypatch: pytest.MonkeyPatch) -> None:
    lines: list[Line] = []

    def play(hub: Hub, device: ScpiDevice) -> None:
        connection, line = socket_to(hub, device)
        lines.append(line)
        connection.data_received(b"SENSe:SWEep:POINts 20000;:TRIGger:SOURce IMMediate;:INITiate;*OPC?\n")
        later(1.0, connection.data_received, b'FORMat:DATA INTeger,8;:SENSe:DATA? "XTIMe:VOLTage 1"\n')

    monkeypatch.setattr(raw_socket, "_PIECE", 1000)
    on_test_clock(play)
    assert lines[0].times == [0.005, *21 * [1.005]], "all pieces of a block"


def test_one_connection_does_not_wait_for_another() -> None:
    lines: list[Line] = []

    def play(hub: Hub, device: ScpiDevice) -> None:
        (busy, line), (another, other_line) = socket_to(hub, device), socket_to(hub, device)
        lines.extend((line, other_line))
        busy.data_received(100 * b"*OPC?\n")
        later(1e-3, another.data_received, b"*OPC?\n")

    on_test_clock(play)
    assert lines[0].times[-1] == 0.5
    assert lines[1].times == [0.006]


def test_without_latency_an_answer_is_there_at_once() -> None:
    lines: list[Line] = []

    def play(hub: Hub, device: ScpiDevice) -> None:
        connection, line = socket_to(hub, device, latency=0.0)
        lines.append(line)
        connection.data_received(b"*OPC?\n*OPC?\n")

    on_test_clock(play)
    assert lines[0].times == [0.0, 0.0]


def test_nothing_is_sent_to_a_client_that_has_gone() -> None:
    lines: list[Line] = []

    def play(hub: Hub, device: ScpiDevice) -> None:
        connection, line = socket_to(hub, device)
        lines.append(line)
        connection.data_received(b"*OPC?\n")
        later(1e-3, connection.connection_lost, None)

    on_test_clock(play)
    assert lines[0].came == []


def hislip_to(hub: Hub, device: ScpiDevice) -> tuple[HislipSession, Line, Line]:
    synchronous, asynchronous = Line(), Line()
    session = HislipSession(hub, device, synchronous, latency=LATENCY)  # type: ignore[arg-type]
    session.attach(asynchronous)  # type: ignore[arg-type]
    return session, synchronous, asynchronous


def test_hislip_a_status_query_takes_as_long_as_an_answer() -> None:
    lines: list[Line] = []

    def play(hub: Hub, device: ScpiDevice) -> None:
        session, *both = hislip_to(hub, device)
        lines.extend(both)
        session.on_synchronous(Message(Type.DATA_END, 0, 0xFFFFFF00, b"*OPC?\n"))
        later(1.0, session.on_asynchronous, Message(Type.ASYNC_STATUS_QUERY, RMT_DELIVERED, 0xFFFFFF00))

    on_test_clock(play)
    assert lines[0].messages == [(0.005, Type.DATA_END, 0xFFFFFF00, b"1\n")]
    assert [(when, kind) for when, kind, _, _ in lines[1].messages] == [(1.005, Type.ASYNC_STATUS_RESPONSE)]


def test_hislip_a_message_before_the_answer_interrupts_it_and_its_own_takes_the_whole_time() -> None:
    lines: list[Line] = []

    def play(hub: Hub, device: ScpiDevice) -> None:
        session, *both = hislip_to(hub, device)
        lines.extend(both)
        session.on_synchronous(Message(Type.DATA_END, 0, 0xFFFFFF00, b"*IDN?\n"))
        later(4e-3, session.on_synchronous, Message(Type.DATA_END, 0, 0xFFFFFF02, b"SYSTem:ERRor:CODE?\n"))

    on_test_clock(play)
    # IEEE 488.2-1992, 6.3.2.3: the old answer is dropped, and −410 is queued
    assert lines[0].messages == [
        (0.004, Type.INTERRUPTED, 0xFFFFFF02, b""),
        (0.009, Type.DATA_END, 0xFFFFFF02, b"-410\n"),
    ]
    assert [(when, kind) for when, kind, _, _ in lines[1].messages] == [(0.004, Type.ASYNC_INTERRUPTED)]


def test_hislip_a_trigger_does_not_change_whose_answer_is_on_its_way() -> None:
    lines: list[Line] = []

    def play(hub: Hub, device: ScpiDevice) -> None:
        session, *both = hislip_to(hub, device)
        lines.extend(both)
        session.on_synchronous(Message(Type.DATA_END, 0, 0xFFFFFF00, b"TRIG:SOUR BUS;:INIT;*ESE?\n"))
        later(1e-3, session.on_synchronous, Message(Type.TRIGGER, 0, 0xFFFFFF02))

    on_test_clock(play)
    assert lines[0].messages == [(0.005, Type.DATA_END, 0xFFFFFF00, b"0\n")]


def test_hislip_device_clear_drops_what_is_on_its_way() -> None:
    lines: list[Line] = []

    def play(hub: Hub, device: ScpiDevice) -> None:
        session, *both = hislip_to(hub, device)
        lines.extend(both)
        session.on_synchronous(Message(Type.DATA_END, 0, 0xFFFFFF00, b"*IDN?\n"))
        later(1e-3, session.on_asynchronous, Message(Type.ASYNC_DEVICE_CLEAR))
        later(2e-3, session.on_synchronous, Message(Type.DEVICE_CLEAR_COMPLETE))
        later(3e-3, session.on_synchronous, Message(Type.DATA_END, 0, 0xFFFFFF00, b"*OPC?\n"))

    on_test_clock(play)
    assert [(when, kind, payload) for when, kind, _, payload in lines[0].messages] == [
        (0.002, Type.DEVICE_CLEAR_ACKNOWLEDGE, b""),
        (0.008, Type.DATA_END, b"1\n"),
    ]


PATIENT = """
wavewright-profile: 1
name: patient-digitizer
about: one that may take an hour for an answer
role: digitizer
extends: scpi-digitizer
quirks: {timeout: 3600 s, record_timeout: 3600 s}
"""
BENCH = """
wavewright-bench: 1
about: one digitizer
library: "{sim}/instruments.yaml@sim"
simulation: {{board: "{sim}/vc204.yaml", seed: 204{more}}}
instruments:
  digitizer: {{resource: "TCPIP0::digitizer.example::inst0::INSTR", profile: {profile}}}
"""


def bench_of(folder: Path, *, profile: str = "scpi-digitizer", more: str = "") -> Path:
    bench = folder / "bench.yaml"
    bench.write_text(BENCH.format(sim=SIM.as_posix(), profile=profile, more=more), encoding="utf-8")
    return bench


def asked(server: BenchServer, wire: str) -> socket.socket:
    """A line on which `*IDN?` was asked, and nothing read."""
    if wire == "HiSLIP":
        line, other = hislip(server)
        other.detach()  # stays open
        send(line, Type.DATA_END, 0, 0xFFFFFF00, b"*IDN?\n")
    else:
        host, port = address(server, "digitizer").split("::")[1:3]
        line = socket.create_connection((host, int(port)), timeout=5)
        line.sendall(b"*IDN?\n")
    return line


def until_closed(line: socket.socket) -> bytes:
    received = b""
    with line, contextlib.suppress(ConnectionResetError):
        while part := line.recv(1000):
            received += part
    return received


@pytest.mark.parametrize("wire", ["raw socket", "HiSLIP"])
def test_the_server_stops_while_answers_are_on_their_way(wire: str, tmp_path: Path) -> None:
    (tmp_path / "patient.yaml").write_text(PATIENT, encoding="utf-8")
    bench = bench_of(tmp_path, profile="patient.yaml")
    with BenchServer(bench, hislip=wire == "HiSLIP", latency=1800.0) as server:
        clock = server.library.instruments["TCPIP0::digitizer.example::inst0::INSTR"].instrument.clock
        before, line = clock.now, asked(server, wire)
        while clock.now == before:  # simulated time goes on with each message: until the query has come
            pass
    # when the block ends half an hour before the answer, then nothing waits for it
    assert until_closed(line) == b""


@pytest.mark.parametrize("wire, whole", [("raw socket", b"Wave"), ("HiSLIP", b"")])
def test_a_fault_that_breaks_the_line_does_so_when_its_answer_arrives(
    wire: str, whole: bytes, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "faults.yaml").write_text(
        "wavewright-faults: 1\nfaults:\n"
        "  cable: {instrument: digitizer, fault: drop the link, at: 'IDN', times: 1, bytes: 4}\n",
        encoding="utf-8",
    )
    bench = bench_of(tmp_path, more=f", faults: {(tmp_path / 'faults.yaml').as_posix()}")
    with BenchServer(bench, hislip=wire == "HiSLIP", latency=1e-3) as server:
        assert until_closed(asked(server, wire))[16 if wire == "HiSLIP" else 0 :] in {b"Wave", whole}
        with asked(server, wire) as again:
            assert b"Wavewright," in again.recv(1000)
    assert [record.getMessage() for record in caplog.records if record.name.startswith("asyncio")] == []


@pytest.mark.parametrize("latency", [-5e-3, float("nan"), float("inf")])
def test_what_is_no_time_is_refused(latency: float) -> None:
    with pytest.raises(Misuse, match=r"a latency of .* s\n  expected: a finite time in s, 0 or more"):
        BenchServer(SIM / "bench.yaml", latency=latency)


def test_a_latency_that_no_time_out_bears_is_refused(tmp_path: Path) -> None:
    # given a profile that waits for a record shorter than for other answers, which is up to its author
    (tmp_path / "hasty.yaml").write_text(PATIENT.replace("record_timeout: 3600 s", "record_timeout: 20 ms"))
    bench = bench_of(tmp_path, profile="hasty.yaml")
    with pytest.raises(Misuse) as caught:
        BenchServer(bench, latency=20e-3)
    assert str(caught.value) == (
        f"{bench}: with a latency of 20 ms every answer of `digitizer` counts as missing: its profile has "
        "`record_timeout: 20 ms`\n  expected: less than 20 ms\n"
        "  do: give a shorter latency, or a longer `quirks: {record_timeout: …}` in the profile"
    )
    assert BenchServer(bench, latency=19e-3).latency == 19e-3
