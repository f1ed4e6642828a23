"""Program messages, IEEE 488.2-1992, clause 7 (clause numbers from memory, not verified)."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.simulation.scpi.elements import Form, complete_length, read_units
from wavewright.simulation.scpi.error_queue import ScpiError

NUMBERS = [
    # text, value, source
    ("5", 5.0, "7.7.2, NR1"),
    ("-.5", -0.5, "7.7.2: digits may be missing before the point"),
    ("5.", 5.0, "7.7.2: digits may be missing after the point"),
    ("1.5E3", 1500.0, "7.7.2, NR3"),
    ("1.5 E 3", 1500.0, "7.7.2: white space on both sides of E"),
    ("+2e-3", 0.002, "7.7.2: case does not matter"),
    ("#H1F", 31.0, "7.7.4"),
    ("#q17", 15.0, "7.7.4"),
    ("#B1011", 11.0, "7.7.4"),
    ("0" * 300 + "1", 1.0, "7.7.2: leading zeros do not count"),
]


@pytest.mark.parametrize("text, value, source", NUMBERS, ids=[row[0][:12] for row in NUMBERS])
def test_reads_each_form_of_a_number(text: str, value: float, source: str) -> None:
    (unit,) = read_units(f"A {text}".encode())
    assert unit.elements[0].number == value, source


FAULTY = [
    # message, code, source: SCPI-99 volume 2, 21.8, and IEEE 488.2, 7; from memory, not verified
    (b"\x80", -101, "a byte that no element may start with"),
    (b"A 1 2", -121, "two numbers without a comma are no number"),
    (b"A ON OFF", -103, "two words without a comma"),
    (b'A "x" "y"', -103, "two strings without a comma"),
    (b"A,1", -111, "no white space after the header"),
    (b"INP:COUP#13", -111, "no white space after the header"),
    (b"ABCDEFGHIJKLM 1", -112, "13 characters"),
    (b"A 1X3-", -121, "a number with a minus inside"),
    (b"A 1E40000", -123, "exponent above 32000"),
    (b"A " + b"1" * 256, -124, "256 digits"),
    (b"A ABCDEFGHIJKLM", -144, "a word of 13 characters"),
    (b'A "open', -151, "the closing quote is missing"),
    (b"A #39999abc", -161, "the count promises more than came"),
    (b"A #X1", -101, "no such radix"),
    (b"A #B12", -121, "2 is not a binary digit"),
    (b"A (@1", -171, "the closing bracket is missing"),
    (b"A 1,", -109, "nothing after the comma"),
    (b"A ,1", -103, "nothing before the comma"),
]


@pytest.mark.parametrize("message, code, source", FAULTY, ids=[repr(row[0])[:20] for row in FAULTY])
def test_a_message_that_breaks_the_grammar_is_refused_with(message: bytes, code: int, source: str) -> None:
    with pytest.raises(ScpiError) as caught:
        list(read_units(message))
    assert caught.value.code == code, source


def test_a_separator_inside_a_string_or_block_separates_nothing() -> None:
    units = list(read_units(b'A "x;y,\'z",#15;,;,\n;B'))
    assert [unit.mnemonics for unit in units] == [("A",), ("B",)]
    assert [element.form for element in units[0].elements] == [Form.STRING, Form.BLOCK]
    assert units[0].elements[0].text == "x;y,'z"
    assert units[0].elements[1].block == b";,;,\n"


def test_a_doubled_quote_in_a_string_is_one_quote() -> None:
    (unit,) = read_units(b"A 'it''s'")
    assert unit.elements[0].text == "it's"


def test_an_indefinite_block_takes_all_that_is_left() -> None:
    (unit,) = read_units(b"A #0a;b,c")
    assert unit.elements[0].block == b"a;b,c"


def test_an_empty_message_is_legal_and_does_nothing() -> None:
    assert list(read_units(b" ;; \n")) == []


@given(content=st.binary(max_size=64))
def test_a_message_ends_after_its_block_whatever_is_in_it(content: bytes) -> None:
    count = str(len(content))
    message = f"A #{len(count)}{count}".encode() + content + b"\n"
    assert complete_length(message + b"B\n", ended=False) == len(message)
    (unit,) = read_units(message)
    assert unit.elements[0].block == content


def test_two_messages_in_one_transfer_are_two() -> None:
    assert complete_length(b"A\nB\n", ended=True) == 2


def test_a_message_without_newline_is_whole_when_end_came_with_it() -> None:
    assert complete_length(b"*RST", ended=True) == 4
    assert complete_length(b"*RST", ended=False) == 0


@given(junk=st.binary(max_size=80))
def test_no_message_can_do_more_than_be_refused(junk: bytes) -> None:
    with contextlib.suppress(ScpiError):
        list(read_units(junk))
