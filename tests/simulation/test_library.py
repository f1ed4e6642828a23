"""The simulated bench through PyVISA: plain pyvisa-sim loads its file, and our library does what that one cannot."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import pyvisa
from pyvisa.constants import EventMechanism, EventType, StatusCode
from pyvisa.resources import MessageBasedResource

from tests.simulation.conftest import SIM, connect, errors_of, opened
from wavewright.errors import FileFault, Misuse
from wavewright.simulation.library import SimulatedVisa, open_library

SETTINGS = (
    "SENSe1:VOLTage:RANGe:PTPeak 0.8", "SENSe1:VOLTage:RANGe:OFFSet 0.3", "SENSe:SWEep:TINTerval 4E-8",
    "SENSe:SWEep:POINts 5000", "FORMat:DATA INTeger,8", "TRIGger:SOURce INTernal1", "TRIGger:LEVel 0.3",
    "TRIGger:ATRigger:STATe ON",
)  # fmt: skip


def shot(digitizer: MessageBasedResource) -> np.ndarray:
    digitizer.write("INITiate")
    assert digitizer.query("*OPC?") == "1"
    return np.asarray(digitizer.query_binary_values('SENSe:DATA? "XTIMe:VOLTage 1"', "b", container=np.ndarray))


@pytest.mark.parametrize("name", ["digitizer", "supply", "source", "meter", "prompts"])
def test_plain_pyvisa_sim_loads_the_same_file(name: str) -> None:
    plain = pyvisa.ResourceManager(f"{SIM / 'instruments.yaml'}@sim")
    resource: Any = plain.open_resource(
        f"TCPIP0::{name}.example::inst0::INSTR", read_termination="\n", write_termination="\n"
    )
    ours = connect(opened(), name)
    assert resource.query("*IDN?") == ours.query("*IDN?")


def test_plain_pyvisa_sim_takes_a_simple_setting() -> None:
    plain = pyvisa.ResourceManager(f"{SIM / 'instruments.yaml'}@sim")
    supply: Any = plain.open_resource(
        "TCPIP0::supply.example::inst0::INSTR", read_termination="\n", write_termination="\n"
    )
    supply.write("VOLT 12.000")
    assert float(supply.query("VOLT?")) == 12.0


def test_lists_what_stands_on_the_bench(library: SimulatedVisa) -> None:
    found = pyvisa.ResourceManager(library).list_resources()
    assert len(found) == 5
    assert "TCPIP0::digitizer.example::inst0::INSTR" in found


def test_no_such_instrument(library: SimulatedVisa) -> None:
    with pytest.raises(pyvisa.VisaIOError) as caught:
        pyvisa.ResourceManager(library).open_resource("TCPIP0::nobody.example::inst0::INSTR")
    assert caught.value.error_code == StatusCode.error_resource_not_found


def test_each_call_gives_a_bench_of_its_own() -> None:
    one, two = connect(opened(), "digitizer"), connect(opened(), "digitizer")
    one.write("TRIGger:LEVel 2")
    assert float(two.query("TRIGger:LEVel?")) == 0.0


def test_two_sessions_share_one_instrument(library: SimulatedVisa) -> None:
    one, two = connect(library, "digitizer"), connect(library, "digitizer")
    one.write("TRIGger:LEVel 2")
    assert float(two.query("TRIGger:LEVel?")) == 2.0


def captured(seed: int) -> bytes:
    digitizer = connect(opened(seed=seed), "digitizer")
    for message in SETTINGS:
        digitizer.write(message)
    return b"".join(shot(digitizer).tobytes() for _ in range(3))


def test_same_seed_and_same_messages_give_the_same_bytes() -> None:
    assert captured(204) == captured(204)
    assert captured(204) != captured(205)


def test_shots_of_one_run_differ(digitizer: MessageBasedResource) -> None:
    for message in SETTINGS:
        digitizer.write(message)
    assert shot(digitizer).tobytes() != shot(digitizer).tobytes()


def test_nothing_to_come_is_a_timeout_at_once(digitizer: MessageBasedResource) -> None:
    digitizer.timeout = 3_600_000
    with pytest.raises(pyvisa.VisaIOError) as caught:
        digitizer.read()
    assert caught.value.error_code == StatusCode.error_timeout
    assert errors_of(digitizer) == [-420]


def test_a_trigger_that_never_comes_is_a_timeout_and_device_clear_recovers(digitizer: MessageBasedResource) -> None:
    for message in (*SETTINGS, "TRIGger:ATRigger:STATe OFF", "TRIGger:LEVel 3", "INITiate"):
        digitizer.write(message)
    with pytest.raises(pyvisa.VisaIOError):
        digitizer.query("*OPC?")
    digitizer.clear()
    digitizer.write("ABORt")
    assert errors_of(digitizer) == []
    digitizer.write("TRIGger:ATRigger:STATe ON")
    assert len(shot(digitizer)) == 5000


def test_status_can_be_polled_while_the_digitizer_waits(digitizer: MessageBasedResource) -> None:
    for message in ("TRIGger:SOURce BUS", "STATus:OPERation:ENABle 8", "STATus:OPERation:PTRansition 8", "INITiate"):
        digitizer.write(message)
    assert digitizer.read_stb() == 0
    digitizer.assert_trigger()
    assert digitizer.read_stb() & 128, "operation summary: sweeping began"


def test_a_service_request_can_be_waited_for(digitizer: MessageBasedResource) -> None:
    for message in ("*SRE 32", "*ESE 1", "*CLS", "SENSe:SWEep:TINTerval 1E-3", "SENSe:SWEep:POINts 5000"):
        digitizer.write(message)
    digitizer.enable_event(EventType.service_request, EventMechanism.queue)
    digitizer.write("INITiate;*OPC")
    response = digitizer.wait_on_event(EventType.service_request, 60_000)
    assert not response.timed_out
    assert digitizer.read_stb() & 64
    with pytest.raises(pyvisa.VisaIOError):
        digitizer.wait_on_event(EventType.service_request, 1000)


def test_a_service_request_that_never_comes_is_a_timeout(digitizer: MessageBasedResource) -> None:
    digitizer.enable_event(EventType.service_request, EventMechanism.queue)
    with pytest.raises(pyvisa.VisaIOError) as caught:
        digitizer.wait_on_event(EventType.service_request, 10)
    assert caught.value.error_code == StatusCode.error_timeout


def test_a_termination_character_ends_a_read_early(digitizer: MessageBasedResource) -> None:
    digitizer.read_termination = ";"
    digitizer.write("TRIGger:SLOPe?;SLOPe?")
    assert digitizer.read() == "POS"


def test_a_defect_of_ours_is_not_called_an_unsupported_operation(
    library: SimulatedVisa, digitizer: MessageBasedResource, monkeypatch: pytest.MonkeyPatch
) -> None:
    instrument = library.instruments["TCPIP0::digitizer.example::inst0::INSTR"].instrument

    def broken(*_: object) -> None:
        raise AttributeError("a defect")

    monkeypatch.setattr(instrument, "changed", broken)
    with pytest.raises(AttributeError, match="a defect"):
        digitizer.write("TRIGger:LEVel 1")


def test_a_record_of_a_megabyte_comes_in_as_few_pieces_as_asked(digitizer: MessageBasedResource) -> None:
    for message in (*SETTINGS, "SENSe:SWEep:POINts 1000000", "INITiate"):
        digitizer.write(message)
    digitizer.query("*OPC?")
    digitizer.write('SENSe:DATA? "XTIMe:VOLTage 1"')
    assert len(digitizer.read_bytes(9 + 1_000_000 + 1, chunk_size=1 << 20)) == 1_000_010


FAULTY: list[tuple[Callable[[str], str], str]] = [
    (lambda text: text.replace("acts_as: digitizer", "acts_as: toaster"), "83:16: `acts_as` is `toaster`"),
    (
        lambda text: text.replace('takes: Boolean, reset: "OFF", each', 'takes: bool, reset: "OFF", each'),
        "129:68: `takes` is `bool`",
    ),
    (lambda text: text.replace("reset: 8 V", "reset: 8 s"), "138:18: `8 s` is a time"),
    (lambda text: text.replace('arm: "INIT', 'aim: "INIT'), "action `aim`"),
    (lambda text: text.replace("\nwavewright:", "\nwavewrong:"), "`wavewright` is missing"),
    (lambda text: text.replace("ac_corner: 50 Hz", "ac_corner: 50"), "89:20: `50` has no unit"),
    (lambda text: text.replace("TCPIP0::digitizer.example::inst0::INSTR", "digitizer"), "`resource: digitizer`"),
    (lambda text: text.replace("inputs: 4", "inputs: 100000000"), "87:17: `100000000` is not a count"),
    (lambda text: text.replace("inputs: 4", "inputs: 2.5"), "87:17: `2.5` is not a count"),
]


@pytest.mark.parametrize("change, message", FAULTY, ids=[row[1] for row in FAULTY])
def test_a_fault_in_the_instrument_file_is_told_with_its_place(
    tmp_path: object, change: Callable[[str], str], message: str
) -> None:
    text = (SIM / "instruments.yaml").read_text(encoding="utf-8")
    changed = change(text)
    assert changed != text
    path = tmp_path / "instruments.yaml"  # type: ignore[operator]
    path.write_text(changed, encoding="utf-8")
    with pytest.raises(FileFault) as caught:
        open_library(str(path), settings={"board": str(SIM / "vc204.yaml")})
    assert message in str(caught.value)
    assert "instruments.yaml:" in str(caught.value)


@pytest.mark.parametrize(
    "settings, message", [({"bord": "x"}, "`bord`"), ({}, "without a board"), ({"boardd": 1, "board": "x"}, "`boardd`")]
)
def test_settings_that_make_no_bench(settings: dict[str, object], message: str) -> None:
    with pytest.raises(Misuse, match=message):
        open_library(str(SIM / "instruments.yaml"), settings=settings)


def test_no_such_instrument_file() -> None:
    with pytest.raises(FileFault, match="no such file"):
        open_library("absent.yaml", settings={})
