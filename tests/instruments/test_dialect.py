"""What YAML cannot say, in Python: a worked example, installed as a laboratory would install its own package.

The instrument is invented. It packs two samples of 12 bits into three bytes, and takes its range as mantissa and
exponent in two words. Nothing but the entry point ties the class to the profile.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import pyvisa

from tests.instruments.conftest import MARKED
from tests.instruments.plain_visa import Device, library_of
from wavewright.errors import BadAnswer, FileFault
from wavewright.instruments.connecting import open_link
from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.profile import load_profile
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup

MODULE = '''
from collections.abc import Mapping

import numpy as np

from wavewright.errors import BadAnswer
from wavewright.instruments.dialect import Dialect


class HallDialect(Dialect):
    """Ranges in two words, samples of 12 bits in pairs."""

    def messages(self, setting, value, values: Mapping[str, object]):
        if setting != "input.range":
            return super().messages(setting, value, values)
        mantissa, exponent = f"{value:e}".split("e")
        return (f"SPAN{values['input']} {float(mantissa):g} {int(exponent)}",)

    def read(self, setting, answer, values):
        if setting != "input.range":
            return super().read(setting, answer, values)
        words = answer.split()
        if len(words) != 2:
            raise BadAnswer(f"`{answer}` is not a range", expected="mantissa and exponent")
        return float(words[0]) * 10.0 ** int(words[1])

    def codes(self, codes):
        if codes.size % 3:
            raise BadAnswer(f"{codes.size} bytes are not pairs of samples", expected="a multiple of 3")
        first, middle, last = codes.reshape(-1, 3).astype(np.int16).T
        pairs = np.stack((first << 4 | middle >> 4, (middle & 15) << 8 | last), axis=1)
        return (pairs.ravel() - 2048).astype(np.int16)


class NoDialect:
    def __init__(self, grammar):
        pass


def broken(grammar):
    raise RuntimeError("the licence has run out")
'''
POINTS = """[wavewright.profiles]
hall-of-fields = our_hall:HallDialect
no-dialect = our_hall:NoDialect
broken = our_hall:broken
absent = our_hall:NotThere
"""
PROFILE = """
wavewright-profile: 1
name: hall
role: digitizer
extends: scpi-basics
python: hall-of-fields
inputs: 1
settings:
  input.range: {set: "SPAN{input}", ask: "SPAN{input}?"}
  timebase.interval: {set: "STEP {value}", ask: "STEP?"}
  timebase.points: {set: "COUNT {value}", ask: "COUNT?"}
acquire: {arm: GO, finished: {ask: "*OPC?"}, stop: HALT}
waveform: {fetch: "BRING?", format: packed, formats: {packed: {samples: uint8, codes_over_range: 4096}}}
"""
CODES = [-2048, 2047, 0, 10]


def packed(codes: list[int]) -> bytes:
    """Two offset binary samples of 12 bits in three bytes, the most significant first."""
    number = 0
    for code in codes:
        number = number << 12 | (code + 2048)
    return number.to_bytes(len(codes) * 3 // 2, "big")


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder on the import path with the module, and the metadata that `pip install` would have written."""
    (tmp_path / "our_hall.py").write_text(MODULE, encoding="utf-8")
    metadata = tmp_path / "our_instruments-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: our-instruments\nVersion: 1.0\n")
    (metadata / "entry_points.txt").write_text(POINTS)
    (tmp_path / "hall.yaml").write_text(PROFILE, encoding="utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    return tmp_path


def opened(folder: Path, device: Device) -> Digitizer:
    profile = load_profile("hall.yaml", folder=folder)
    return Digitizer(open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED, name="hall"), profile)


def hall(data: bytes, span: bytes = b"8 -2\n") -> Device:
    block = b"#1%d" % len(data) + data + b"\n"
    return Device({"SPAN1?": span, "STEP?": b"1E-6\n", "COUNT?": b"4\n", "*OPC?": b"1\n", "BRING?": block})


SETUP = DigitizerSetup({"field": InputSetup(1, 0.08)}, TimebaseSetup(4, 1e-6), TriggerSetup())


def test_a_profile_speaks_through_its_class(installed: Path) -> None:
    device = hall(packed(CODES))
    digitizer = opened(installed, device)
    used = digitizer.configure(SETUP)
    assert "SPAN1 8 -2" in device.sent
    assert used["input1.range"] == pytest.approx(0.08)
    wave = digitizer.acquire()["field"]
    assert wave.codes.tolist() == CODES
    # closed form: 80 mV over 4096 codes, code 0 in the middle
    assert wave.values() == pytest.approx([code * 0.08 / 4096 for code in CODES])


def test_the_plan_is_known_without_the_instrument(installed: Path) -> None:
    profile = load_profile("hall.yaml", folder=installed)
    assert profile.messages("input.range", 250.0, input=1) == ("SPAN1 2.5 2",)
    assert profile.messages("timebase.points", 100) == ("COUNT 1.0E+02",)


def test_what_the_class_refuses_names_instrument_and_message(installed: Path) -> None:
    digitizer = opened(installed, hall(packed(CODES)[:5]))
    digitizer.configure(SETUP)
    with pytest.raises(BadAnswer, match=r"5 bytes are not pairs of samples \(BRING\?\)") as caught:
        digitizer.acquire()
    assert "(hall)" in str(caught.value)
    with pytest.raises(BadAnswer, match=r"`lots` is not a range \(after `SPAN1\?`\)"):
        opened(installed, hall(b"", span=b"lots\n")).configure(SETUP)


@pytest.mark.parametrize(
    "name, words",
    [
        ("hall", "is not installed"),
        ("no-dialect", "is not a dialect"),
        ("broken", "does not load: the licence has run out"),
        ("absent", "does not load"),
    ],
)
def test_a_class_that_cannot_be_used_is_told_with_its_place(installed: Path, name: str, words: str) -> None:
    (installed / "hall.yaml").write_text(PROFILE.replace("hall-of-fields", name), encoding="utf-8")
    with pytest.raises(FileFault, match=f"`python: {name}` {words}") as caught:
        load_profile("hall.yaml", folder=installed)
    assert str(caught.value).startswith(f"{installed / 'hall.yaml'}:6:9: ")
