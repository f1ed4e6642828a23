"""Parameters. IEEE 488.2-1992, 7.7.3; SCPI-99 volume 1, 7 (from memory, not verified)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.simulation.scpi.elements import read_units
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.parameter_types import (
    BooleanParameter,
    NumericParameter,
    ParameterType,
    TextParameter,
    Value,
    WordParameter,
    number_text,
    suffix_factor,
)


def read(kind: ParameterType, text: str) -> Value:
    (unit,) = read_units(f"A {text}".encode())
    return kind.read(unit.elements[0])


SUFFIXES = [
    # text, unit, value, source
    ("10 MS", "S", 10e-3, "M is milli"),
    ("10 MV", "V", 10e-3, "M is milli"),
    ("10 MAV", "V", 10e6, "MA is mega"),
    ("10 MA", "A", 10e-3, "milli and A, not mega and nothing"),
    ("10 MHZ", "HZ", 10e6, "the first exception"),
    ("10 MAHZ", "HZ", 10e6, "the regular form of the same"),
    ("1 MOHM", "OHM", 1e6, "the second exception"),
    ("1 MAOHM", "OHM", 1e6, "the regular form of the same"),
    ("5mhz", "HZ", 5e6, "case never tells milli from mega"),
    ("3 KV", "V", 3e3, "K"),
    ("3 UV", "V", 3e-6, "U"),
    ("3 NS", "S", 3e-9, "N"),
    ("3 PS", "S", 3e-12, "P"),
    ("3 FA", "A", 3e-15, "F"),
    ("3 AA", "A", 3e-18, "A"),
    ("3 GHZ", "HZ", 3e9, "G"),
    ("3 TOHM", "OHM", 3e12, "T"),
    ("3 PEHZ", "HZ", 3e15, "PE"),
    ("3 EXHZ", "HZ", 3e18, "EX"),
    ("3 V", "V", 3.0, "no multiplier"),
    ("3", "V", 3.0, "no suffix: base unit"),
]


@pytest.mark.parametrize("text, unit, value, source", SUFFIXES, ids=[row[0] for row in SUFFIXES])
def test_reads_a_suffix(text: str, unit: str, value: float, source: str) -> None:
    assert read(NumericParameter(unit=unit), text) == pytest.approx(value, rel=1e-12), source


REFUSED = [
    (NumericParameter(unit="HZ"), "5 V", -131, "another unit"),
    (NumericParameter(), "5 V", -138, "no suffix allowed"),
    (NumericParameter(unit="V", minimum=0, maximum=1), "2", -222, "above the limit"),
    (NumericParameter(unit="V"), '"2"', -104, "a string where a number is required"),
    (NumericParameter(unit="V"), "XYZ", -141, "no such word"),
    (NumericParameter(unit="V"), "#11x", -168, "a block where a number is required"),
    (NumericParameter(unit="V"), "(1)", -178, "an expression where a number is required"),
    (WordParameter(("DC", "AC", "GROund")), "XY", -141, "no such word"),
    (WordParameter(("DC",)), "1", -128, "a number where a word is required"),
    (WordParameter(("DC",)), '"DC"', -158, "a string where a word is required"),
    (WordParameter(("INTernal<n>",), most=4), "INT5", -224, "a legal word, and no such input"),
    (BooleanParameter(), "MAYBE", -141, "no Boolean"),
    (BooleanParameter(), '"ON"', -104, "a string where a Boolean is required"),
    (TextParameter(), "ON", -104, "a word where a string is required"),
    (TextParameter(longest=3), '"four"', -223, "too long"),
]


@pytest.mark.parametrize("kind, text, code, source", REFUSED, ids=[f"{row[1]}: {row[3]}" for row in REFUSED])
def test_refuses(kind: ParameterType, text: str, code: int, source: str) -> None:
    with pytest.raises(ScpiError) as caught:
        read(kind, text)
    assert caught.value.code == code, source


RANGE = NumericParameter(unit="V", minimum=0.001, maximum=40.0, steps=(0.08, 0.2, 8.0, 40.0), default=8.0)


@pytest.mark.parametrize(
    "text, value", [("MIN", 0.08), ("MAXIMUM", 40.0), ("DEF", 8.0), ("0.1", 0.2), ("0.2", 0.2), ("1E-3", 0.08)]
)
def test_a_stepped_number_takes_the_next_step_up(text: str, value: float) -> None:
    assert read(RANGE, text) == value


def test_a_stepped_number_can_take_the_next_step_down() -> None:
    interval = NumericParameter(unit="S", minimum=1e-9, maximum=1.0, steps=(4e-9, 1e-8, 2e-8), rounding="down")
    assert read(interval, "1.9E-8") == 1e-8


@pytest.mark.parametrize("text, value", [("ON", True), ("OFF", False), ("0.4", False), ("-0.6", True), ("7", True)])
def test_a_boolean_is_rounded_and_non_zero_is_on(text: str, value: bool) -> None:
    assert read(BooleanParameter(), text) is value


def test_words_are_answered_in_short_form() -> None:
    coupling = WordParameter(("DC", "AC", "GROund"))
    assert coupling.write(read(coupling, "ground")) == "GRO"
    source = WordParameter(("IMMediate", "INTernal<n>"), most=4)
    assert [source.write(read(source, word)) for word in ("int", "INTERNAL3", "imm")] == ["INT1", "INT3", "IMM"]


@given(value=st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30))
def test_a_number_that_was_answered_can_be_sent_again(value: float) -> None:
    text = number_text(value)
    assert float(text) == pytest.approx(value, rel=1e-9, abs=1e-300)
    assert read(NumericParameter(), text) == pytest.approx(value, rel=1e-9, abs=1e-300)


@pytest.mark.parametrize(
    "value, text", [(float("inf"), "9.9E+37"), (float("-inf"), "-9.9E+37"), (float("nan"), "9.91E+37")]
)
def test_what_is_no_number_is_answered_as(value: float, text: str) -> None:
    # SCPI-99 volume 1, 7.2.1, from memory, not verified
    assert number_text(value) == text


def test_a_suffix_of_another_unit_has_no_factor() -> None:
    with pytest.raises(ScpiError):
        suffix_factor("MHZ", "S")
