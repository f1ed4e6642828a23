"""Faults to order: each does what its file says, and the instrument can be used again afterwards."""

from __future__ import annotations

from pathlib import Path

import pytest
import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.resources import MessageBasedResource

from tests.simulation.conftest import SIM, connect, errors_of, opened
from wavewright.errors import FileFault
from wavewright.simulation.disturbances.effects import fault_kinds
from wavewright.simulation.disturbances.plan import load_faults
from wavewright.simulation.library import SimulatedVisa

DATA = 'SENSe:DATA? "XTIMe:VOLTage 1"'


def bench(tmp_path: Path, fault: str, instrument: str = "digitizer") -> SimulatedVisa:
    path = tmp_path / "faults.yaml"
    path.write_text(f"wavewright-faults: 1\nfaults:\n  it: {{instrument: {instrument}, {fault}}}\n", encoding="utf-8")
    return opened(faults=str(path))


def armed(library: SimulatedVisa, points: int = 1000) -> MessageBasedResource:
    digitizer = connect(library, "digitizer")
    for message in ("FORMat:DATA INTeger,8", f"SENSe:SWEep:POINts {points}", "INITiate"):
        digitizer.write(message)
    assert digitizer.query("*OPC?") == "1"
    return digitizer


def code_of(caught: pytest.ExceptionInfo[pyvisa.VisaIOError]) -> StatusCode:
    return StatusCode(caught.value.error_code)


def test_a_dropped_link_is_lost_until_it_is_opened_again(tmp_path: Path) -> None:
    library = bench(tmp_path, r"fault: drop the link, at: 'DATA\?', times: 1, bytes: 500")
    digitizer = armed(library)
    digitizer.write(DATA)
    assert len(digitizer.read_bytes(500)) == 500
    calls = (lambda: digitizer.read_bytes(1), lambda: digitizer.write("*CLS"), digitizer.clear, digitizer.read_stb)
    for again in (*calls, digitizer.assert_trigger):
        with pytest.raises(pyvisa.VisaIOError) as caught:
            again()
        assert code_of(caught) is StatusCode.error_connection_lost
    assert len(armed(library).query_binary_values(DATA, "b")) == 1000


def test_a_late_answer_is_a_timeout_first_and_there_afterwards(tmp_path: Path) -> None:
    digitizer = connect(bench(tmp_path, "fault: delay, at: 'LEV', by: 3 s"), "digitizer")
    digitizer.timeout = 2000
    digitizer.write("TRIGger:LEVel?")
    with pytest.raises(pyvisa.VisaIOError) as caught:
        digitizer.read()
    assert code_of(caught) is StatusCode.error_timeout
    assert digitizer.read() == "0.0E+00"


def test_garbled_bytes_differ_where_chance_says(tmp_path: Path) -> None:
    digitizer = connect(bench(tmp_path, "fault: garble, at: 'IDN', bytes: 3"), "digitizer")
    plain = connect(opened(), "digitizer").query("*IDN?").encode()
    digitizer.write("*IDN?")
    garbled = digitizer.read_raw().rstrip(b"\n")
    assert 1 <= sum(one != two for one, two in zip(plain, garbled, strict=True)) <= 3


def test_the_same_seed_garbles_the_same_bytes(tmp_path: Path) -> None:
    path = tmp_path / "faults.yaml"
    path.write_text("wavewright-faults: 1\nfaults: {it: {instrument: digitizer, fault: garble, at: IDN, bytes: 3}}\n")

    def garbled(seed: int) -> bytes:
        digitizer = connect(opened(faults=str(path), seed=seed), "digitizer")
        digitizer.read_termination = None
        digitizer.write("*IDN?")
        return digitizer.read_raw()

    assert garbled(1) == garbled(1)
    assert garbled(1) != garbled(2)


def test_a_short_block_ends_early(tmp_path: Path) -> None:
    digitizer = armed(bench(tmp_path, r"fault: short block, at: 'DATA\?', bytes: 100"))
    digitizer.read_termination = None  # else the first sample of code 10 ends the reading
    digitizer.write(DATA)
    assert len(digitizer.read_raw()) == len("#41000") + 900 + 1


def test_a_wrong_count_promises_more(tmp_path: Path) -> None:
    digitizer = armed(bench(tmp_path, r"fault: wrong count, at: 'DATA\?', bytes: 5"))
    digitizer.read_termination = None
    digitizer.write(DATA)
    assert digitizer.read_raw().startswith(b"#41005")


def test_garbage_stands_before_the_answer(tmp_path: Path) -> None:
    digitizer = connect(bench(tmp_path, r"fault: garbage first, at: 'SLOP', text: '\x00\x07ready '"), "digitizer")
    digitizer.write("TRIGger:SLOPe?")
    assert digitizer.read_raw() == b"\x00\x07ready POS\n"


def test_another_answer(tmp_path: Path) -> None:
    digitizer = connect(bench(tmp_path, "fault: another answer, at: 'LEV', text: '9.91E+37'"), "digitizer")
    assert digitizer.query("TRIGger:LEVel?") == "9.91E+37"


def test_the_old_answer_comes_once_more(tmp_path: Path) -> None:
    digitizer = connect(bench(tmp_path, "fault: old answer, at: 'LEV'"), "digitizer")
    assert [digitizer.query(f"TRIGger:{node}?") for node in ("SLOPe", "LEVel", "SOURce")] == ["POS", "POS", "IMM"]


def test_a_burst_of_errors_fills_the_queue(tmp_path: Path) -> None:
    digitizer = connect(bench(tmp_path, "fault: errors, at: 'LEV', count: 30"), "digitizer")
    digitizer.write("TRIGger:LEVel 1")
    assert errors_of(digitizer) == [-310] * 19 + [-350]


def test_stuck_busy_lasts_until_a_reset(tmp_path: Path) -> None:
    digitizer = connect(bench(tmp_path, "fault: stuck busy, at: 'INIT', times: 1"), "digitizer")
    digitizer.write("INITiate")
    with pytest.raises(pyvisa.VisaIOError):
        digitizer.query("*OPC?")
    digitizer.clear()
    digitizer.write("*RST")
    assert digitizer.query("*OPC?") == "1"


def test_a_reset_in_mid_run_loses_settings_and_the_answer(tmp_path: Path) -> None:
    digitizer = connect(bench(tmp_path, "fault: reset, at: 'SLOP', times: 1"), "digitizer")
    digitizer.write("TRIGger:LEVel 2")
    with pytest.raises(pyvisa.VisaIOError):
        digitizer.query("TRIGger:SLOPe?")
    assert digitizer.query("TRIGger:LEVel?") == "0.0E+00"
    assert int(digitizer.query("*ESR?")) & 128, "power on"


def test_a_noisy_trigger_fires_where_no_edge_is(tmp_path: Path) -> None:
    library = bench(tmp_path, "fault: noisy trigger, at: '^INIT', within: 1 ms")
    digitizer = connect(library, "digitizer")
    for message in ("TRIGger:SOURce INTernal1", "TRIGger:LEVel 30", "INITiate"):
        digitizer.write(message)
    assert digitizer.query("*OPC?") == "1"


def test_a_digitizer_that_is_slow_to_arm_waits_for_no_trigger_before(tmp_path: Path) -> None:
    digitizer = connect(bench(tmp_path, "fault: slow to arm, at: '^INIT', times: 1, by: 20 ms"), "digitizer")
    for message in ("TRIGger:SOURce INTernal1", "TRIGger:LEVel 30", "INITiate"):
        digitizer.write(message)
    said = [int(digitizer.query("STATus:OPERation:CONDition?")) for _ in range(8)]
    assert (said[0], said[-1]) == (0, 32)
    assert said == sorted(said)
    digitizer.write("ABORt")
    digitizer.write("INITiate")
    # of this one nothing is before the trigger, and what each message takes is more than the delay of any
    assert int(digitizer.query("STATus:OPERation:CONDition?")) == 32


def test_a_supply_loses_its_output_with_a_reset(tmp_path: Path) -> None:
    library = bench(tmp_path, "fault: reset, at: 'MEAS', times: 1", instrument="supply")
    supply = connect(library, "supply")
    for message in ("VOLTage 24", "OUTPut ON"):
        supply.write(message)
    with pytest.raises(pyvisa.VisaIOError):
        supply.query("MEASure:VOLTage?")
    assert supply.query("OUTPut?") == "0"


def test_occasions_count_what_fits(tmp_path: Path) -> None:
    library = bench(tmp_path, "fault: another answer, at: 'lev', after: 1, every: 2, times: 2, text: X")
    digitizer = connect(library, "digitizer")
    found = [digitizer.query("TRIGger:LEVel?") == "X" for _ in range(9)]
    assert found == [False, False, True, False, True, False, False, False, False]


@pytest.mark.parametrize("path", sorted((SIM / "faults").glob("*.yaml")), ids=lambda path: path.stem)
def test_every_shipped_fault_file_loads(path: Path) -> None:
    assert load_faults(path, seed=1)
    opened(faults=str(path))


def test_every_kind_of_fault_is_tried_here() -> None:
    text = Path(__file__).read_text(encoding="utf-8")
    assert [kind for kind in fault_kinds() if f"fault: {kind}," not in text and f"fault: {kind}\n" not in text] == []


FAULTY = [
    ("fault: explode", "3:38: `fault` is `explode`"),
    ("fault: delay", "3:7: `by` is missing"),
    ("fault: delay, by: 3", "3:49: `3` has no unit"),
    ("fault: reset, evry: 3", "did you mean `every`"),
    ("fault: reset, at: '('", "not a regular expression"),
    ("fault: reset, every: 0", "3:52: `0` is not a count"),
]


@pytest.mark.parametrize("text, message", FAULTY, ids=[row[0] for row in FAULTY])
def test_a_fault_in_a_fault_file_is_told_with_its_place(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(FileFault) as caught:
        bench(tmp_path, text)
    assert message in str(caught.value)
    assert "faults.yaml:3" in str(caught.value)


def test_faults_for_an_instrument_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="faults for `toaster`"):
        bench(tmp_path, "fault: reset", instrument="toaster")


@pytest.mark.parametrize("values", ["fault: errors, at: 'LEV', code: x", "fault: errors, at: 'LEV', code: 1e5"])
def test_a_value_that_a_fault_cannot_take_is_a_fault_of_the_file(tmp_path: Path, values: str) -> None:
    with pytest.raises(FileFault) as refused:
        bench(tmp_path, values)
    assert "faults.yaml:3:63: `code` is `" in str(refused.value)
    assert "expected: a whole number" in str(refused.value)


def test_all_faults_of_a_fault_file_are_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "faults.yaml"
    path.write_text(
        "wavewright-faults: 1\nfaults:\n"
        "  late: {instrument: digitizer, fault: delay, by: 3 V}\n"
        "  cut: {instrument: digitizer, fault: short block, byts: 3}\n",
        encoding="utf-8",
    )
    with pytest.raises(FileFault) as refused:
        load_faults(path, seed=1)
    assert [str(fault.where).rpartition("faults.yaml:")[2] for fault in refused.value.faults] == ["3:51", "4:52"]


def test_a_fault_of_an_instrument_that_is_not_there_is_told_at_its_place(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match=r"faults.yaml:3:20: faults for `digitiser`"):
        bench(tmp_path, "fault: reset", instrument="digitiser")
