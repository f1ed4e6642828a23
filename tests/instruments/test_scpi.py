"""Numbers, words, strings, lists, blocks and error entries, against the standards and against closed forms."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import BadAnswer, Misuse
from wavewright.instruments import scpi
from wavewright.instruments.blocks import BlockHeader, definite_block, read_block_header
from wavewright.instruments.error_queue import listed, read_error_entry

finite = st.floats(allow_nan=False, allow_infinity=False)


@given(finite)
def test_a_number_comes_back_as_the_float_that_was_sent(value: float) -> None:
    assert float(scpi.format_number(value)) == value


@given(finite)
def test_a_number_is_sent_in_the_form_of_the_standard(value: float) -> None:
    # NR3, IEEE 488.2-1992, 8.7.4 (from memory, not verified): sign of the exponent always, a digit on each side
    import re

    assert re.fullmatch(r"-?\d\.\d+E[+-]\d{2,3}", scpi.format_number(value))


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan])
def test_what_is_no_number_is_not_sent(value: float) -> None:
    with pytest.raises(Misuse, match="cannot be sent"):
        scpi.format_number(value)


# IEEE 488.2-1992, 8.7.2 to 8.7.7 (from memory, not verified): the same number in every form that a device may answer in
@pytest.mark.parametrize(
    "text", ["1", "+1", "1.0", "1.", "+1.000000E+00", "10E-1", ".1e1", " 1 ", "1 E 0", "#H1", "#B0001", "#q1"]
)
def test_one_is_one_in_every_form(text: str) -> None:
    assert scpi.read_number(text) == 1.0


@pytest.mark.parametrize(
    "text",
    ["", " ", "one", "1,2", "1;2", "1_000", "0x10", "#HG", "#B2", "#Q8", "1.0E", "--1", "1V", "infinity war", "١"],
)
def test_what_is_no_number_is_no_number(text: str) -> None:
    with pytest.raises(BadAnswer, match="not a number"):
        scpi.read_number(text)


# SCPI-99 volume 1, 7.2.1 (from memory, not verified): 9.9E37 is infinity, 9.91E37 is "not a number"
def test_the_special_numbers_stand_for_no_number() -> None:
    assert scpi.read_number("9.9E37") == math.inf
    assert scpi.read_number("-9.9E+37") == -math.inf
    assert math.isnan(scpi.read_number("9.91E37"))
    assert math.isnan(scpi.read_number("NAN"))


def test_devices_round_the_special_numbers_to_single_precision() -> None:
    import numpy as np

    assert scpi.read_number(f"{float(np.float32(9.9e37)):.9E}") == math.inf
    assert math.isnan(scpi.read_number(f"{float(np.float32(9.91e37)):.9E}"))


def test_a_large_number_that_is_not_special_stays_one() -> None:
    assert scpi.read_number("9.8E37") == 9.8e37


@pytest.mark.parametrize("text, is_on", [("1", True), ("0", False), ("ON", True), ("off", False), ("2", True)])
def test_booleans_in_every_form(text: str, is_on: bool) -> None:
    assert scpi.read_boolean(text) is is_on


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126)))
def test_a_string_comes_back_as_it_was_sent(text: str) -> None:
    assert scpi.read_string(scpi.format_string(text)) == text


@given(st.lists(st.text(st.characters(min_codepoint=32, max_codepoint=126)), min_size=1))
def test_separators_inside_strings_do_not_separate(texts: list[str]) -> None:
    items = scpi.split_list(",".join(scpi.format_string(text) for text in texts))
    assert [scpi.read_string(item) for item in items] == texts


def test_an_unclosed_string_is_refused() -> None:
    with pytest.raises(BadAnswer, match="whole string"):
        scpi.read_string('"Undefined header')


# SCPI-99 volume 1, 6.2.1 (from memory, not verified)
@pytest.mark.parametrize(
    "mnemonic, short",
    [("VOLTage", "VOLT"), ("POSitive", "POS"), ("FREE", "FREE"), ("TINTerval", "TINT"), ("SWEep", "SWE"), ("DC", "DC")],
)
def test_short_forms(mnemonic: str, short: str) -> None:
    assert scpi.short_form(mnemonic) == short
    assert scpi.is_word(short, mnemonic)
    assert scpi.is_word(mnemonic.lower(), mnemonic)
    assert not scpi.is_word(mnemonic[:-1] if len(mnemonic) > 5 else "X", mnemonic)


@given(st.binary(max_size=2000))
def test_a_block_header_tells_its_own_length_and_that_of_the_data(data: bytes) -> None:
    block = definite_block(data)
    header = read_block_header(block)
    assert header is not None
    assert block[header.length :] == data
    assert header.count == len(data)


class OfAThousandMillion(bytes):
    """As long as the shortest block whose length needs ten digits."""

    def __len__(self) -> int:
        return 1_000_000_000


def test_a_length_in_brackets_is_read_and_never_sent() -> None:
    # PyVISA pull request 914: one digit of digits ends at 999 999 999; IEEE 488.2-1992, 7.7.6 knows no brackets
    assert read_block_header(b"#(1000000000)") == BlockHeader(13, 1_000_000_000)
    with pytest.raises(Misuse, match="a block of 1000000000 bytes"):
        definite_block(OfAThousandMillion())


@given(st.binary(max_size=2000), st.integers(1, 5))
def test_a_header_that_is_not_all_there_asks_for_more(data: bytes, cut: int) -> None:
    block = definite_block(data)
    header = read_block_header(block)
    assert header is not None
    for length in range(header.length):
        assert read_block_header(block[:length]) is None


@pytest.mark.parametrize(
    "answer, code, text",
    [
        ('0,"No error"', 0, "No error"),
        ('+0,"No error"', 0, "No error"),
        ('-113,"Undefined header;INP:COUPL"', -113, "Undefined header;INP:COUPL"),
        ('-222 , "Data ""out"" of range"', -222, 'Data "out" of range'),
        ("0", 0, ""),
    ],
)
def test_error_entries(answer: str, code: int, text: str) -> None:
    entry = read_error_entry(answer)
    assert (entry.code, entry.text) == (code, text)


@pytest.mark.parametrize("answer", ["No error", "", '-113;"Undefined header"', '-113,"Undefined'])
def test_what_is_no_error_entry(answer: str) -> None:
    with pytest.raises(BadAnswer, match="not an entry of an error queue"):
        read_error_entry(answer)


@pytest.mark.parametrize(
    "code, words", [(-410, "before the answer"), (-420, "nothing had been queried"), (-430, "split")]
)
def test_query_errors_are_explained(code: int, words: str) -> None:
    assert words in read_error_entry(f'{code},"Query error"').explanation


def test_entries_that_repeat_are_counted() -> None:
    entries = [read_error_entry(text) for text in ('-200,"Execution error"', '-113,"Undefined header"')]
    assert listed([*entries, entries[0]]) == '-200,"Execution error" (2 times); -113,"Undefined header"'
