"""A wire log recorded over library, raw socket or HiSLIP is the instrument again: the same bytes, the same error."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.instruments.every_wire import WIRES, on_a_wire
from wavewright.errors import WavewrightError
from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.setups import DigitizerSetup, InputSetup, SupplySetup, TimebaseSetup, TriggerSetup
from wavewright.instruments.wire_log import WireLog, read_wire_log

SETUP = DigitizerSetup(
    {"rail": InputSetup(1, 80.0, 20.0, attenuation=10)},
    TimebaseSetup(1000, 1e-6),
    TriggerSetup("auto", "rail", level=30.0, timeout=0.3),  # never crossed: a time-out, and a forced record
)
# IEEE 488.2-1992, 10.18 and 11.2 (clauses second-hand): *OPC is bit 0 of the event register, bit 5 of the status byte
REQUEST = """
acquire:
  arm: ["INITiate", "*OPC"]
  finished: {service_request: {before: "*ESE 1", request: "*SRE 32", after: ["*SRE 0", "*ESE 0"], mask: 32}}
"""
FAULTS = {
    "nothing": "",
    "half a block": r"{it: {instrument: digitizer, at: 'DATA\?', times: 1, fault: short block, bytes: 500}}",
    "garbage before the block": r"{it: {instrument: digitizer, at: 'DATA\?', times: 1, fault: garbage first}}",
}


def said(file: BenchFile, log: Path) -> tuple[bytes, str]:
    """Two shots, the dialogue in a file: the codes, and what went wrong."""
    codes, faults = b"", ""
    with log.open("w", encoding="ascii") as stream:
        wire_log = WireLog(stream, full=True)
        with open_bench(file, ["digitizer", "supply"], wire_log=wire_log, pause=lambda _: None) as bench:
            bench.reset()
            bench.supply.apply_setup(SupplySetup(voltage=24.0, current_limit=1.0, output=True))
            for _ in range(2):
                try:
                    bench.digitizer.configure(SETUP)
                    codes += bench.digitizer.acquire()["rail"].codes.tobytes()
                except WavewrightError as fault:
                    faults += str(fault)
    return codes, faults


@pytest.mark.parametrize("wire", WIRES)
@pytest.mark.parametrize("way", ["", REQUEST], ids=["asked", "requested"])
@pytest.mark.parametrize("fault", FAULTS)
def test_a_replay_says_the_same(tmp_path: Path, wire: str, way: str, fault: str) -> None:
    with on_a_wire(tmp_path, wire, faults=FAULTS[fault], digitizer=way) as served:
        file = load_bench(served.bench_file)
        recorded = said(file, tmp_path / "wire.log")
    assert bool(recorded[1]) == (fault != "nothing")
    assert recorded[0]
    assert said(file.replaying(tmp_path / "wire.log"), tmp_path / "again.log") == recorded


@pytest.mark.parametrize("wire", WIRES)
def test_what_came_of_a_broken_answer_is_on_record(tmp_path: Path, wire: str) -> None:
    with on_a_wire(tmp_path, wire, faults=FAULTS["garbage before the block"]) as served:
        said(load_bench(served.bench_file), tmp_path / "wire.log")
    records = read_wire_log((tmp_path / "wire.log").read_text().splitlines())
    # off a stream no more is read than what shows that it is not a block
    beginning = b"**" if wire == "raw socket" else b"*** #41000"
    assert any(record.sign == "<" and (record.data or b"").startswith(beginning) for record in records)
