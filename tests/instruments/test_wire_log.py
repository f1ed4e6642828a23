"""The wire log, and the replay of one: what was said once is said again, byte for byte."""

from __future__ import annotations

import hashlib
import io
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
import pyvisa
from hypothesis import given
from hypothesis import strategies as st

from tests.instruments.conftest import MARKED
from tests.instruments.plain_visa import Device, library_of
from wavewright.errors import BadAnswer, FileFault, StorageFault
from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.connecting import open_link
from wavewright.instruments.replay import open_replay
from wavewright.instruments.setups import (
    DigitizerSetup,
    InputSetup,
    MeterSetup,
    SourceSetup,
    SupplySetup,
    TimebaseSetup,
    TriggerSetup,
)
from wavewright.instruments.wire_log import FIRST_LINE, WireLog, escape, read_wire_log, unescape

SIM = Path(__file__).parents[2] / "sim"
MOMENT = datetime(2026, 1, 15, 9, 30, tzinfo=UTC)


@given(st.binary(max_size=200))
def test_bytes_come_back_from_a_line(data: bytes) -> None:
    line = escape(data)
    assert line.isascii()
    assert line.isprintable()
    assert unescape(line) == data


@given(st.lists(st.tuples(st.sampled_from("><="), st.binary(max_size=50)), max_size=10))
def test_a_log_reads_back_as_it_was_written(messages: list[tuple[str, bytes]]) -> None:
    stream = io.StringIO()
    log = WireLog(stream, now=lambda: MOMENT, elapsed=lambda: 1.0)
    for sign, data in messages:
        if sign == "=":
            log.event("supply", data.decode("latin-1"))
        else:
            (log.sent if sign == ">" else log.received)("supply", data)
    records = list(read_wire_log(stream.getvalue().splitlines()))
    expected = [(sign, data.decode("latin-1").encode() if sign == "=" else data) for sign, data in messages]
    assert [(record.sign, record.data) for record in records] == expected


def test_a_line_says_when_who_and_what() -> None:
    stream = io.StringIO()
    clock = iter([10.0, 10.25])
    log = WireLog(stream, now=lambda: MOMENT, elapsed=lambda: next(clock))
    log.sent("supply", b"OUTPut:STATe 0\n")
    assert stream.getvalue().splitlines() == [
        FIRST_LINE,
        "2026-01-15T09:30:00.000000Z\t0.250000\tsupply\t>\tOUTPut:STATe 0\\n",
    ]


def test_of_a_block_the_size_and_the_hash_are_kept() -> None:
    stream = io.StringIO()
    WireLog(stream).block("digitizer", b"\n" * 1000)
    (record,) = read_wire_log(stream.getvalue().splitlines())
    assert (record.sign, record.count, record.data) == ("#<", 1000, None)
    assert record.digest == hashlib.sha256(b"\n" * 1000).hexdigest()


def test_a_full_log_keeps_the_bytes() -> None:
    stream = io.StringIO()
    WireLog(stream, full=True).block("digitizer", bytes(range(256)))
    (record,) = read_wire_log(stream.getvalue().splitlines())
    assert record.data == bytes(range(256))


@pytest.mark.parametrize(
    "line", ["no tabs", "2026\tx\tsupply\t>\tA", "2026\t0.1\tdigitizer\t#\t< 3", "2026\t0.1\tx\t#\t< 1 ab eA==", ""]
)
def test_a_damaged_line_is_told_with_its_number(line: str) -> None:
    with pytest.raises(FileFault, match="wire log:2: line 2 is not a record of a dialogue"):
        list(read_wire_log([FIRST_LINE, line]))


def test_another_file_is_no_wire_log() -> None:
    with pytest.raises(FileFault, match="this is not a wire log"):
        list(read_wire_log(["wavewright: 1"]))


def test_the_link_keeps_a_record_of_everything(tmp_path: Path) -> None:
    stream = io.StringIO()
    device = Device({"BRING?": b"#13a\nb\n", "BAD?": b"\x00\n"})
    link = open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED, wire_log=WireLog(stream, full=True))
    link.write("*RST")
    link.ask_block("BRING?")
    with pytest.raises(BadAnswer):
        link.ask("BAD?")
    link.close()
    records = list(read_wire_log(stream.getvalue().splitlines()))
    sent = [record.data.decode().strip() for record in records if record.sign == ">" and record.data]
    assert sent == device.sent
    assert [record.data for record in records if record.sign == "#<"] == [b"a\nb"]
    assert b"\x00\n" in [record.data for record in records if record.sign == "<"]
    events = [record.data.decode() for record in records if record.sign == "=" and record.data]
    assert events[0] == f"opened {MARKED}"
    assert events[-1] == "closed"
    assert any(event.startswith("BadAnswer") for event in events)


@pytest.mark.parametrize("full", [False, True], ids=["short", "full"])
def test_of_an_answer_that_went_wrong_the_log_has_what_came(full: bool) -> None:
    stream = io.StringIO()
    half = b"#510000" + bytes(9000) + b"\n"
    link = open_link(
        pyvisa.ResourceManager(library_of({MARKED: Device({"BRING?": half})})),
        MARKED,
        wire_log=WireLog(stream, full=full),
    )
    with pytest.raises(BadAnswer, match="cut short"):
        link.ask_block("BRING?")
    records = list(read_wire_log(stream.getvalue().splitlines()))
    asked = next(place for place, record in enumerate(records) if record.data == b"BRING?\n")
    assert (records[asked + 1].sign, records[asked + 1].data) == ("<", half if full else half[:4096])
    told = [record.data for record in records if record.data and record.data.endswith(b"are kept")]
    assert told == ([] if full else [b"9008 bytes came, the first 4096 are kept"])


def run(file: BenchFile, log: Path, *, full: bool = True, level: float = 1.65) -> tuple[bytes, float]:
    """A short run, its dialogue in a file: codes of a record, and a meter's reading."""
    with log.open("w", encoding="ascii") as stream, open_bench(file, wire_log=WireLog(stream, full=full)) as bench:
        bench.reset()
        bench.supply.apply_setup(SupplySetup(voltage=24.0, current_limit=1.0, output=True))
        bench.source.apply_setup(SourceSetup(function="square", frequency=1e3))
        setup = DigitizerSetup(
            {"rail": InputSetup(1, 8.0, 2.0)}, TimebaseSetup(5000, 1e-7), TriggerSetup("auto", "rail", level=level)
        )
        bench.digitizer.configure(setup)
        return bench.digitizer.acquire()["rail"].codes.tobytes(), bench.meter.measure(MeterSetup())


def test_a_replayed_run_brings_the_same_bytes(tmp_path: Path) -> None:
    bench = load_bench(SIM / "bench.yaml")
    recorded = run(bench, tmp_path / "wire.log")
    assert run(bench.replaying(tmp_path / "wire.log"), tmp_path / "again.log") == recorded


def test_a_replay_needs_no_simulated_bench(tmp_path: Path) -> None:
    bench = load_bench(SIM / "bench.yaml")
    recorded = run(bench, tmp_path / "wire.log")
    elsewhere = replace(bench.replaying(tmp_path / "wire.log"), path=str(tmp_path / "bench.yaml"))
    assert run(elsewhere, tmp_path / "again.log") == recorded


def test_a_replay_of_another_recipe_says_what_was_never_sent(tmp_path: Path) -> None:
    bench = load_bench(SIM / "bench.yaml")
    run(bench, tmp_path / "wire.log")
    with pytest.raises(FileFault, match=r"`TRIGger:LEVel 1.0E\+00` is not in what was recorded of digitizer") as caught:
        run(bench.replaying(tmp_path / "wire.log"), tmp_path / "again.log", level=1.0)
    assert "`TRIGger:LEVel 1.65E+00`" in str(caught.value)
    assert "name the recipe, the parameters and the bench file of the recorded run" in str(caught.value)


def test_a_replay_without_the_blocks_says_how_to_record_them(tmp_path: Path) -> None:
    bench = load_bench(SIM / "bench.yaml")
    run(bench, tmp_path / "wire.log", full=False)
    with pytest.raises(FileFault, match="keeps only the hash of the block") as caught:
        run(bench.replaying(tmp_path / "wire.log"), tmp_path / "again.log")
    assert "record the run with full blocks" in str(caught.value)


def test_a_wire_log_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(StorageFault, match="cannot be read: No such file"):
        open_replay(tmp_path / "wire.log")


def test_a_replay_with_another_bench_file_says_whose_dialogue_there_is(tmp_path: Path) -> None:
    bench = load_bench(SIM / "bench.yaml")
    run(bench, tmp_path / "wire.log")
    text = (tmp_path / "wire.log").read_text().replace("digitizer.example", "10.1.1.1")
    (tmp_path / "wire.log").write_text(text)
    with pytest.raises(FileFault, match="has no dialogue with this address") as caught:
        run(bench.replaying(tmp_path / "wire.log"), tmp_path / "again.log")
    assert str(caught.value).startswith("TCPIP0::digitizer.example::inst0::INSTR")
    assert "one of TCPIP0::10.1.1.1::inst0::INSTR" in str(caught.value)
    assert "name the bench file of the recorded run" in str(caught.value)


def test_a_wire_log_that_begins_in_the_middle_is_told_with_its_name(tmp_path: Path) -> None:
    line = "2026-01-15T09:30:00.000000Z\t0.1\tsupply\t>\t*RST\\n\n"
    (tmp_path / "wire.log").write_text(f"{FIRST_LINE}\n{line}")
    with pytest.raises(FileFault, match="`supply` sends before its link is opened") as caught:
        open_replay(tmp_path / "wire.log")
    assert str(caught.value).startswith(str(tmp_path / "wire.log"))


def test_what_came_of_a_broken_answer_is_not_told_again_with_the_next(tmp_path: Path) -> None:
    stream = io.StringIO()
    half = b"#510000" + bytes(9000) + b"\n"
    device = Device({"BRING?": half, "BAD?": b"#16abc\n"})
    link = open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED, wire_log=WireLog(stream))
    for query in ("BRING?", "BAD?"):
        with pytest.raises(BadAnswer, match="cut short"):
            link.ask_block(query)
    records = list(read_wire_log(stream.getvalue().splitlines()))
    asked = next(place for place, record in enumerate(records) if record.data == b"BAD?\n")
    came = [record.data for record in records[asked:] if record.sign == "<"]
    assert came[0] == b"#16abc\n"
    told = [record.data for record in records if record.data and record.data.endswith(b"are kept")]
    assert told == [b"9008 bytes came, the first 4096 are kept"]
