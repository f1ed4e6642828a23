from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.buses.wires import uart_of
from wavewright.buses.decode import decode
from wavewright.buses.expectation import Expectation
from wavewright.buses.frame import Frame
from wavewright.buses.frames import Frames
from wavewright.buses.search.search import Search, find_frames, occurrences
from wavewright.errors import Misuse, Place
from wavewright.simulation.encoders.can import CanMessage, can_line
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import Transfer, i2c_lines, read_transfer, write_transfer
from wavewright.simulation.encoders.uart import uart_line


@pytest.fixture(scope="module")
def transfers() -> Frames:
    sent = [
        write_transfer(0x48, b"\x01\x60"),
        read_transfer(0x48, b"\x19\x80"),
        Transfer(b"\x90", [False]),
        write_transfer(0x50, b"\xaa\x01\x60"),
        Transfer(b"\xa0\x99", [True, False]),
    ]
    scl, sda = i2c_lines(sent, lead=2e-5, tail=2e-5)
    return decode({"scl": draw(scl, rate=2e6), "sda": draw(sda, rate=2e6)}, "i2c")


@pytest.fixture(scope="module")
def messages() -> Frames:
    sent = [
        CanMessage(0x0FF, b"\x01"),
        CanMessage(0x100, b"\x02"),
        CanMessage(0x1FF, b"ERR 7"),
        CanMessage(0x200, remote=True, length=1),
        CanMessage(0x12345, b"\x03", extended=True),
    ]
    return decode({"line": draw(can_line(sent), rate=1e7)}, "can", bit_rate=5e5)


FOUND_IN_TRANSFERS = [
    ("address = 0x48", [0, 1, 2]),
    ("address = 72 and nack", [2]),
    ("nack", [2, 4]),
    ("ack", [0, 1, 3]),
    ("not ack or read", [1, 2, 4]),
    ("not (ack or read)", [2, 4]),
    ("read", [1]),
    ("write", [0, 2, 3, 4]),
    ("clean and write", [0, 3]),
    ("error", [2, 4]),
    ('error = "not acknowledged"', [2, 4]),
    ('error <> "not acknowledged"', [0, 1, 3]),
    ('holds "01 60"', [0, 3]),
    ('holds "9001"', [0]),
    ('data holds "01 60"', [0, 3]),
    ('data = "19 80"', [1]),
    ("address between 0x49 and 0x50", [3, 4]),
    ("address >= 0x48 and address < 0x50", [0, 1, 2]),
    ("address <> 0b1001000", [3, 4]),
    ('kind = "transfer" and stopped', [0, 1, 2, 3, 4]),
    ("duration > 250 us", [0, 1, 3]),
    ("start < 100 us", [0]),
]


@pytest.mark.parametrize("text, rows", FOUND_IN_TRANSFERS, ids=[row[0] for row in FOUND_IN_TRANSFERS])
def test_a_search_over_transfers(text: str, rows: list[int], transfers: Frames) -> None:
    assert np.flatnonzero(Search.read(text).where(transfers)).tolist() == rows


FOUND_IN_MESSAGES = [
    ("id between 0x100 and 0x1FF", [1, 2]),
    ("identifier between 0x100 and 0x1FF", [1, 2]),
    ('text like_regex "ERR [0-9]"', [2]),
    ('data like_regex "^ERR"', [2]),
    ('kind like_regex "rem"', [3]),
    ("remote", [3]),
    ("extended or remote", [3, 4]),
    ("length = 1", [0, 1, 3, 4]),
    ("crc > 1e3", [0, 1, 2, 3, 4]),
]


@pytest.mark.parametrize("text, rows", FOUND_IN_MESSAGES, ids=[row[0] for row in FOUND_IN_MESSAGES])
def test_a_search_over_messages(text: str, rows: list[int], messages: Frames) -> None:
    found = Search.read(text).where(messages)
    if text == "crc > 1e3":
        assert found.tolist() == [frame["crc"] > 1000 for frame in messages]
    else:
        assert np.flatnonzero(found).tolist() == rows


def test_characters_that_each_are_a_frame_are_strung_together() -> None:
    frames = decode({"tx": draw(uart_line(b"boot ERR 7\r\n", baud=1.0, lead=20, tail=20), rate=10)}, "uart", baud=1.0)
    assert np.flatnonzero(Search.read('text like_regex "ERR"').where(frames)).tolist() == [5, 6, 7]
    assert np.flatnonzero(Search.read('holds "0d 0a"').where(frames)).tolist() == [10, 11]
    assert bytes(frame["data"] for frame in find_frames(frames, 'text like_regex "[0-9]"')) == b"7"
    assert find_frames(frames, "data = 0x45")[0].start == pytest.approx(50, abs=0.1)


def test_what_is_found_does_not_reach_over_a_character_that_was_not_read() -> None:
    frames = uart_of("0 10000010 1" + "0" * 13 + "11" + "0 01000010 1")
    assert [frame.kind for frame in frames] == ["character", "break", "character"]
    assert not Search.read('text like_regex "AB"').where(frames).any()
    assert np.flatnonzero(Search.read("break").where(frames)).tolist() == [1]


WRONG = [
    ("", "incomplete search"),
    ("address =", "incomplete search"),
    ("address = nack", "`nack` at character 11"),
    ("address between 5", "incomplete search"),
    ("(read", "a closing bracket"),
    ("read)", "`and`, `or` or the end"),
    ("address between 5 or", "`and` and the upper end"),
    ("read & write", "`&` at character 6"),
    ('holds "1"', "pairs of hex digits"),
    ("holds 11", "bytes in hex"),
    ('text like_regex "("', "a regular expression"),
    ("and read", "`and` at character 1"),
    ("not", "incomplete search"),
]


@pytest.mark.parametrize("text, message", WRONG, ids=[row[0] or "nothing" for row in WRONG])
def test_a_search_that_cannot_be_read_says_where(text: str, message: str) -> None:
    with pytest.raises(Misuse) as refused:
        Search.read(text)
    assert message in str(refused.value)


@pytest.mark.parametrize(
    "text, column, today",
    [
        ("nack or address in 0x40..0x4F", 17, "`address between LOW and HIGH`"),
        ('text ~ "ERR"', 6, '`text like_regex "PATTERN"`'),
        ("read and address != 3", 18, "`address <> VALUE`"),
        ('data contains "11 03"', 6, '`data holds "11 03"`'),
        ('not contains "11 03"', 5, '`holds "11 03"`'),
    ],
)
def test_a_spelling_of_an_earlier_version_is_refused_with_today_s(text: str, column: int, today: str) -> None:
    with pytest.raises(Misuse, match="is no longer used in searches") as refused:
        Search.read(text)
    assert isinstance(refused.value.where, Place)
    assert refused.value.where.column == column
    assert f"write {today}" in str(refused.value)


def test_a_search_that_does_not_fit_the_frames_says_what_does(transfers: Frames) -> None:
    with pytest.raises(Misuse, match=r"there is no field `adress`(.|\n)*did you mean `address`"):
        find_frames(transfers, "adress = 1")
    with pytest.raises(Misuse, match="expected: a number"):
        find_frames(transfers, 'address = "x"')
    with pytest.raises(Misuse, match="pairs of hex digits"):
        find_frames(transfers, 'data = "xy"')


@given(st.lists(st.integers(0, 300), max_size=20), st.integers(0, 300), st.integers(0, 300))
def test_searches_obey_the_laws_of_logic(values: list[int], low: int, high: int) -> None:
    frames = Frames.of([Frame(k, k + 1, "x", {"v": value}) for k, value in enumerate(values)])

    def where(text: str) -> list[bool]:
        return Search.read(text).where(frames).tolist() if values else []

    assert (
        where(f"v between {low} and {high}")
        == where(f"v >= {low} and v <= {high}")
        == [low <= v <= high for v in values]
    )
    assert where(f"not (v < {low} or v = {high})") == where(f"not v < {low} and v <> {high}")
    assert where(f"not not v = {low}") == [v == low for v in values]


@given(st.binary(min_size=1, max_size=3), st.binary(max_size=20))
def test_occurrences_are_all_places_overlapping_ones_too(pattern: bytes, text: bytes) -> None:
    starts = [k for k in range(len(text)) if text[k : k + len(pattern)] == pattern]
    assert [first for first, _ in occurrences(pattern, text)] == starts


def test_an_expectation_says_what_is_missing(messages: Frames) -> None:
    assert Expectation.read({"holds": "45 52 52", "text": "ERR", "find": "id = 0x1FF"}).unmet(messages) == ()
    unmet = Expectation.read({"holds": "11 03", "text": "OK", "find": "id = 1"}).unmet(messages)
    assert unmet == (
        "no frame of 5 holds `11 03`",
        "no frame of 5 has the text `OK`",
        "no frame of 5 fulfils `id = 1`",
    )
    assert Expectation.read({"text": "OK"}).unmet(Frames.of([])) == ("no frame of 0 has the text `OK`",)


def test_an_expectation_over_characters_joins_them() -> None:
    frames = decode({"tx": draw(uart_line(b"valve OK\r\n", baud=1.0, lead=20, tail=20), rate=10)}, "uart", baud=1.0)
    assert Expectation.read({"text": "OK\r\n", "holds": "20 4F"}).unmet(frames) == ()


@pytest.mark.parametrize(
    "written, message",
    [
        ({"hold": "11"}, "did you mean `holds`"),
        ({"voltage": "11"}, "unknown expectation `voltage`"),
        ({"contains": "11"}, "`contains` is no longer a key(.|\n)*write `holds`"),
        ({}, "at least one of holds, text, find"),
        ({"holds": 11}, "at least one of"),
        ({"holds": "1"}, "pairs of hex digits"),
        ({"find": "a ="}, "incomplete search"),
    ],
)
def test_an_expectation_that_cannot_be_read_is_refused(written: dict[str, object], message: str) -> None:
    with pytest.raises(Misuse, match=message):
        Expectation.read(written)


def test_a_field_that_a_frame_does_not_have_compares_with_nothing() -> None:
    frames = uart_of("0 00000000 1" + "0" * 13 + "11")  # a break has no data, and its bits are all 0
    assert np.flatnonzero(Search.read("data = 0").where(frames)).tolist() == [0]
    assert np.flatnonzero(Search.read("data <> 1").where(frames)).tolist() == [0]


def test_occurrences_may_overlap() -> None:
    assert occurrences(b"aa", b"aaa") == [(0, 2), (1, 3)]
