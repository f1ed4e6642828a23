"""HiSLIP byte by byte, where no client at hand goes: IVI-6.1 (message types and header from memory, not verified)."""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator

import pytest

from tests.simulation.conftest import SIM
from tests.simulation.server.test_serving import address
from wavewright.simulation.server.hislip_messages import Type
from wavewright.simulation.server.serving import BenchServer

HEADER = struct.Struct("!2sBBIQ")


def hislip(server: BenchServer, name: str = "digitizer") -> tuple[socket.socket, socket.socket]:
    host, device = address(server, name).split("::")[1:3]
    port = int(device.split(",")[1])
    synchronous, asynchronous = (socket.create_connection((host, port), timeout=5) for _ in range(2))
    send(synchronous, Type.INITIALIZE, 0, 0x01007777, b"hislip0")
    _, _, parameter, _ = receive(synchronous)
    send(asynchronous, Type.ASYNC_INITIALIZE, 0, parameter & 0xFFFF)
    assert receive(asynchronous)[0] == Type.ASYNC_INITIALIZE_RESPONSE
    return synchronous, asynchronous


def send(line: socket.socket, kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> None:
    line.sendall(HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)


def receive(line: socket.socket) -> tuple[int, int, int, bytes]:
    _, kind, control, parameter, length = HEADER.unpack(exactly(line, HEADER.size))
    return kind, control, parameter, exactly(line, length)


def exactly(line: socket.socket, count: int) -> bytes:
    content = b""
    while len(content) < count:
        part = line.recv(count - len(content))
        assert part, "the server has closed the line"
        content += part
    return content


@pytest.fixture
def lines() -> Iterator[tuple[socket.socket, socket.socket]]:
    with BenchServer(SIM / "bench.yaml", hislip=True) as server:
        synchronous, asynchronous = hislip(server)
        with synchronous, asynchronous:
            yield synchronous, asynchronous


Lines = tuple[socket.socket, socket.socket]


def test_hislip_answers_carry_the_id_of_their_query(lines: Lines) -> None:
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF00, b"*OPC?\n")
    assert receive(lines[0]) == (Type.DATA_END, 0, 0xFFFFFF00, b"1\n")


def test_hislip_a_message_in_two_parts_is_one(lines: Lines) -> None:
    send(lines[0], Type.DATA, 0, 0xFFFFFF00, b"*ID")
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF02, b"N?")
    kind, _, parameter, payload = receive(lines[0])
    assert (kind, parameter) == (Type.DATA_END, 0xFFFFFF02)
    assert payload.startswith(b"Wavewright,")


def test_hislip_status_query(lines: Lines) -> None:
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF00, b"NOWHERE;\n")
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF02, b"*OPC?\n")
    receive(lines[0])
    send(lines[1], Type.ASYNC_STATUS_QUERY, 0, 0xFFFFFF02)
    assert receive(lines[1])[:2] == (Type.ASYNC_STATUS_RESPONSE, 4 + 16), "an error, and an answer not said to be read"
    send(lines[1], Type.ASYNC_STATUS_QUERY, 1, 0xFFFFFF02)
    assert receive(lines[1])[:2] == (Type.ASYNC_STATUS_RESPONSE, 4)


def test_hislip_service_request(lines: Lines) -> None:
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF00, b"*CLS;*SRE 4;:NOWHERE\n")
    assert receive(lines[1])[:2] == (Type.ASYNC_SERVICE_REQUEST, 64 + 4)
    send(lines[1], Type.ASYNC_STATUS_QUERY)
    assert receive(lines[1])[1] == 64 + 4
    send(lines[1], Type.ASYNC_STATUS_QUERY)
    assert receive(lines[1])[1] == 4


def test_hislip_a_service_request_is_for_the_clients_of_its_instrument() -> None:
    with BenchServer(SIM / "bench.yaml", hislip=True) as server:
        asked, another, elsewhere = hislip(server), hislip(server), hislip(server, "supply")
        send(asked[0], Type.DATA_END, 0, 0xFFFFFF00, b"*CLS;*SRE 4;:NOWHERE\n")
        for client_lines in (asked, another):
            assert receive(client_lines[1])[:2] == (Type.ASYNC_SERVICE_REQUEST, 64 + 4)
        send(elsewhere[1], Type.ASYNC_STATUS_QUERY)
        assert receive(elsewhere[1])[0] == Type.ASYNC_STATUS_RESPONSE, "nothing stood in front of it"
        for line in (*asked, *another, *elsewhere):
            line.close()


def test_hislip_device_clear(lines: Lines) -> None:
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF00, b"TRIG:SOUR BUS;:INIT;*OPC?\n")
    send(lines[1], Type.ASYNC_DEVICE_CLEAR)
    assert receive(lines[1])[0] == Type.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF02, b"*IDN?\n")  # on its way when the clear came: must be dropped
    send(lines[0], Type.DEVICE_CLEAR_COMPLETE)
    assert receive(lines[0])[0] == Type.DEVICE_CLEAR_ACKNOWLEDGE
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF00, b"ABOR;*OPC?\n")
    assert receive(lines[0])[3] == b"1\n"


def test_hislip_interrupted_is_told_on_both_channels(lines: Lines) -> None:
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF00, b"*OPC?\n")
    assert receive(lines[0])[3] == b"1\n"
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF02, b"SYST:ERR:CODE?\n")  # without the sign that the answer was read
    assert receive(lines[0])[0] == Type.INTERRUPTED
    assert receive(lines[1])[0] == Type.ASYNC_INTERRUPTED
    assert receive(lines[0])[2:] == (0xFFFFFF02, b"-410\n")


def test_hislip_trigger(lines: Lines) -> None:
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF00, b"TRIG:SOUR BUS;:INIT\n")
    send(lines[0], Type.TRIGGER, 0, 0xFFFFFF02)
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF04, b"*OPC?\n")
    assert receive(lines[0])[3] == b"1\n"


def test_hislip_locks_are_refused_politely(lines: Lines) -> None:
    send(lines[1], Type.ASYNC_LOCK, 1, 1000, b"")
    assert receive(lines[1])[:2] == (Type.ASYNC_LOCK_RESPONSE, 0)
    send(lines[1], Type.ASYNC_LOCK, 0)
    assert receive(lines[1])[:2] == (Type.ASYNC_LOCK_RESPONSE, 3)
    send(lines[1], Type.ASYNC_LOCK_INFO)
    assert receive(lines[1])[:3] == (Type.ASYNC_LOCK_INFO_RESPONSE, 0, 0)


def test_hislip_sizes_are_agreed_on_and_kept(lines: Lines) -> None:
    send(lines[1], Type.ASYNC_MAXIMUM_SIZE, 0, 0, (1016).to_bytes(8, "big"))
    assert receive(lines[1])[0] == Type.ASYNC_MAXIMUM_SIZE_RESPONSE
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF00, b"FORM INT,8;:SENS:SWE:POIN 2500;:INIT;*WAI;:SENS:DATA?\n")
    kinds, content = [], b""
    while not kinds or kinds[-1] != Type.DATA_END:
        kind, _, _, payload = receive(lines[0])
        assert len(payload) <= 1000
        kinds.append(kind)
        content += payload
    assert len(kinds) == 3
    assert content.startswith(b"#42500")
    assert len(content) == 2507


def test_hislip_an_unknown_message_is_an_error_and_the_session_lives(lines: Lines) -> None:
    for line in lines:
        send(line, 99)
        assert receive(line)[:2] == (Type.ERROR, 1)
    send(lines[0], Type.DATA_END, 0, 0xFFFFFF00, b"*OPC?\n")
    assert receive(lines[0])[3] == b"1\n"


@pytest.mark.parametrize(
    "sent, code",
    [
        (b"GET / HTTP/1.1\r\n\r\n", 1),
        (HEADER.pack(b"HS", Type.DATA_END, 0, 0, 0), 3),
        (HEADER.pack(b"HS", Type.ASYNC_INITIALIZE, 0, 77, 0), 3),
        (HEADER.pack(b"HS", Type.INITIALIZE, 0, 0, 1 << 40), 1),
    ],
    ids=["another protocol", "data first", "no such session", "a payload of a terabyte"],
)
def test_hislip_refuses_a_bad_beginning(sent: bytes, code: int) -> None:
    with BenchServer(SIM / "bench.yaml", hislip=True) as server:
        host, device = address(server, "digitizer").split("::")[1:3]
        with socket.create_connection((host, int(device.split(",")[1])), timeout=5) as line:
            line.sendall(sent)
            assert receive(line)[:2] == (Type.FATAL_ERROR, code)
            assert line.recv(1) == b""


def test_hislip_data_without_the_second_channel_is_fatal() -> None:
    with BenchServer(SIM / "bench.yaml", hislip=True) as server:
        host, device = address(server, "digitizer").split("::")[1:3]
        with socket.create_connection((host, int(device.split(",")[1])), timeout=5) as line:
            send(line, Type.INITIALIZE, 0, 0x01007777, b"hislip0")
            receive(line)
            send(line, Type.DATA_END, 0, 0, b"*IDN?\n")
            assert receive(line)[:2] == (Type.FATAL_ERROR, 2)
