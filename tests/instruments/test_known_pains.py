"""What people who use PyVISA have suffered from, by the number of their report: none of it happens to the link."""

from __future__ import annotations

import hashlib
import io
import socket
from pathlib import Path

import pytest
import pyvisa

from tests.instruments.conftest import STREAM, Connect
from tests.instruments.every_wire import on_a_wire
from tests.instruments.plain_visa import Device, library_of, served
from wavewright.errors import NoAnswer
from wavewright.instruments.connecting import open_link
from wavewright.instruments.socket_wire import SocketWire
from wavewright.instruments.wire_log import WireLog, read_wire_log
from wavewright.instruments.wire_settings import WireSettings

MIB = 1 << 20


def test_a_raw_socket_needs_no_termination_set_by_hand() -> None:
    # PyVISA issue 518: read_termination is None unless it is set, and on a raw socket nothing else ends an answer
    with served(Device()) as server:
        plain = pyvisa.ResourceManager("@py").open_resource(server.address, timeout=100, write_termination="\n")
        with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
            plain.query("*OPT?")  # type: ignore[attr-defined]
        plain.close()
        link = open_link(pyvisa.ResourceManager("@py"), server.address, manners=WireSettings(timeout=5.0))
        assert link.ask("*OPT?") == "0"
        link.close()


def test_a_large_block_takes_few_reads_whatever_is_in_it() -> None:
    # PyVISA issues 464 and 490, PyVISA-py issue 563: with the library's chunk of 20 KiB, or a read that ends at each NL
    data = b"\n" * (8 * MIB)
    library = library_of({STREAM: Device({"BRING?": b"#7%d" % len(data) + data + b"\n"})})
    link = open_link(pyvisa.ResourceManager(library), STREAM)
    library.termination_seen.clear()  # one entry a read
    assert link.ask_block("BRING?").tobytes() == data
    assert len(library.termination_seen) <= len(data) // (256 * 1024) + 4


def test_a_large_block_of_newlines_comes_within_the_patience_for_a_short_answer() -> None:
    # the same on a real socket: 3.6 s for 1 MB by the library's own read (measured, PyVISA-py 0.8.1), here 8 within 5 s
    data = b"\n" * (8 * MIB)
    with served(Device({"BRING?": b"#7%d" % len(data) + data + b"\n"})) as server:
        link = open_link(pyvisa.ResourceManager("@py"), server.address, manners=WireSettings(timeout=5.0))
        assert link.ask_block("BRING?", timeout=5.0).size == len(data)
        assert link.ask("*OPT?") == "0"
        link.close()


def test_a_block_keeps_its_end_though_the_chunk_of_the_session_is_small() -> None:
    # PyVISA issue 490: the session's `chunk_size` is the user's; the link has its own
    data = bytes(range(256)) * 1000
    library = library_of({STREAM: Device({"BRING?": b"#6%d" % len(data) + data + b"\n"})})
    manager = pyvisa.ResourceManager(library)
    link = open_link(manager, STREAM)
    for resource in manager.list_opened_resources():
        resource.chunk_size = 16  # type: ignore[attr-defined]
    assert link.ask_block("BRING?").tobytes() == data


@pytest.mark.parametrize("wire", ["library", "raw socket", "HiSLIP"])
def test_an_answer_that_was_late_is_never_that_of_the_next_query(tmp_path: Path, wire: str) -> None:
    # PyVISA-py issue 376, with an instrument that answers after the time-out
    faults = "{late: {instrument: digitizer, at: 'SLOP', times: 1, fault: delay, by: 500 ms}}"
    with on_a_wire(tmp_path, wire, faults=faults) as bench:
        link = bench.link("digitizer")
        with pytest.raises(NoAnswer, match=r"TRIGger:SLOPe\?"):
            link.ask("TRIGger:SLOPe?")
        assert [link.ask("TRIGger:SOURce?"), link.ask_number("TRIGger:LEVel?")] == ["IMM", 0.0]
        link.close()


def test_records_without_a_header_come_by_count(connect: Connect) -> None:
    # PyVISA issue 92
    record = b"#2\n\n\r\n#0"
    link = connect(Device({"BRING?": record + b"\n"}))
    assert link.ask_bytes("BRING?", len(record)).tobytes() == record
    assert link.ask("*OPT?") == "0"


def test_the_wire_log_has_the_hash_of_what_came(connect: Connect) -> None:
    data, log = bytes(range(256)) * 4000, io.StringIO()
    link = connect(Device({"BRING?": b"#7%07d" % len(data) + data + b"\n"}), wire_log=WireLog(log))
    assert link.ask_block("BRING?", timeout=60.0).tobytes() == data
    assert link.ask_block("BRING?", timeout=60.0).tobytes() == data
    log.seek(0)
    kept = [(one.count, one.digest) for one in read_wire_log(log) if one.sign == "#<"]
    assert kept == 2 * [(len(data), hashlib.sha256(data).hexdigest())]


@pytest.mark.parametrize("digits", [1, 9, 10, 12])
def test_a_length_in_brackets_may_have_any_number_of_digits(connect: Connect, digits: int) -> None:
    # PyVISA pull request 914: `#(1000000000)`, where one digit of digits ends at 999 999 999
    link = connect(Device({"BRING?": b"#(%0*d)ab\ncd\n" % (digits, 5)}))
    assert link.ask_block("BRING?").tobytes() == b"ab\ncd"
    assert link.ask("*OPT?") == "0"


def test_small_messages_on_a_socket_leave_at_once() -> None:
    # PyVISA-py 0.8.1 leaves the gathering of small segments (RFC 896) on: a query after two messages then waits for
    # the delayed acknowledgement of the other end, 40 ms on Linux (measured 44 ms, and 0.5 ms without)
    with served(Device()) as server:
        link = open_link(pyvisa.ResourceManager("@py"), server.address, manners=WireSettings(timeout=5.0))
        assert isinstance(link._connection.wire, SocketWire)
        assert link._connection.wire._peer.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        link.close()
