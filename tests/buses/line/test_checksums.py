from __future__ import annotations

import binascii
import zlib

import anycrc
import crccheck
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.buses.line.checksums import (
    CRCS,
    Crc,
    carry_sum,
    crc_continued,
    crc_of,
    crc_of_bits,
    crc_of_each,
    crc_of_runs,
)

MESSAGE = b"123456789"
CATALOGUE = "CRC catalogue; crccheck 1.3.1 and anycrc 2.1.0 agree"
ROWS = [  # our name, width, polynomial, start, reflected, final xor, check
    ("usb5", 5, 0x05, 0x1F, True, 0x1F, 0x19),
    ("mmc7", 7, 0x09, 0x00, False, 0x00, 0x75),
    ("smbus", 8, 0x07, 0x00, False, 0x00, 0xF4),
    ("onewire8", 8, 0x31, 0x00, True, 0x00, 0xA1),
    ("j1850", 8, 0x1D, 0xFF, False, 0xFF, 0x4B),
    ("autosar8", 8, 0x2F, 0xFF, False, 0xFF, 0xDF),
    ("nrsc5", 8, 0x31, 0xFF, False, 0x00, 0xF7),
    ("flexray11", 11, 0x385, 0x01A, False, 0x000, 0x5A3),
    ("can15", 15, 0x4599, 0x0000, False, 0x0000, 0x059E),
    ("crc16_8005_reflected", 16, 0x8005, 0x0000, True, 0x0000, 0xBB3D),
    ("modbus", 16, 0x8005, 0xFFFF, True, 0x0000, 0x4B37),
    ("usb16", 16, 0x8005, 0xFFFF, True, 0xFFFF, 0xB4C8),
    ("onewire16", 16, 0x8005, 0x0000, True, 0xFFFF, 0x44C2),
    ("crc16_1021_ffff", 16, 0x1021, 0xFFFF, False, 0x0000, 0x29B1),
    ("crc16_1021", 16, 0x1021, 0x0000, False, 0x0000, 0x31C3),
    ("crc16_1021_reflected", 16, 0x1021, 0x0000, True, 0x0000, 0x2189),
    ("x25", 16, 0x1021, 0xFFFF, True, 0xFFFF, 0x906E),
    (None, 17, 0x1685B, 0x00000, False, 0x00000, 0x04F03),
    (None, 21, 0x102899, 0x000000, False, 0x000000, 0x0ED841),
    ("canfd17", 17, 0x1685B, 0x10000, False, 0x00000, 0x09D9B),
    ("canfd21", 21, 0x102899, 0x100000, False, 0x000000, 0x1323D8),
    ("flexray24", 24, 0x5D6DCB, 0xFEDCBA, False, 0x000000, 0x7979BD),
    ("crc32", 32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xCBF43926),
    ("crc32c", 32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xE3069283),
]
IDS = [row[0] or f"crc{row[1]} from 0" for row in ROWS]


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_a_check_has_its_catalogue_parameters_and_check_value(row: tuple[object, ...]) -> None:
    name, width, polynomial, start, reflected, final_xor, check = row
    kind = Crc(width, polynomial, start, reflected, final_xor)
    assert name is None or CRCS[name] == kind
    assert crc_of(MESSAGE, kind) == check, CATALOGUE


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_two_libraries_compute_the_same_for_any_message(row: tuple[object, ...]) -> None:
    _, width, polynomial, start, reflected, final_xor, _ = row
    kind = Crc(width, polynomial, start, reflected, final_xor)
    theirs = crccheck.crc.Crc(width, polynomial, start, reflected, reflected, final_xor)
    other = anycrc.CRC(width=width, poly=polynomial, init=start, refin=reflected, refout=reflected, xorout=final_xor)
    generator = np.random.default_rng(1)
    for size in (1, 2, 7, 64, 255):
        message = generator.integers(0, 256, size).astype(np.uint8).tobytes()
        theirs.reset()
        theirs.process(message)
        assert crc_of(message, kind) == theirs.final() == other.calc(message)


def test_every_check_of_the_table_is_tested_here() -> None:
    assert set(CRCS) == {row[0] for row in ROWS} - {None}


def test_python_itself_agrees_on_two_of_them() -> None:
    message = bytes(range(200))
    assert crc_of(message, CRCS["crc32"]) == zlib.crc32(message) == binascii.crc32(message)
    assert crc_of(message, CRCS["crc16_1021"]) == binascii.crc_hqx(message, 0)


@given(st.lists(st.binary(max_size=40), min_size=1, max_size=30), st.sampled_from(sorted(CRCS)))
def test_many_messages_at_once_are_as_each_alone(messages: list[bytes], name: str) -> None:
    values = np.frombuffer(b"".join(messages), dtype=np.uint8)
    last = np.cumsum([len(message) for message in messages])
    first = last - [len(message) for message in messages]
    together = crc_of_each(values, first, last, CRCS[name])
    assert together.tolist() == [crc_of(message, CRCS[name]) for message in messages]


@given(
    st.lists(st.lists(st.booleans(), min_size=1, max_size=90), min_size=1, max_size=10),
    st.sampled_from(["can15", "canfd17", "canfd21"]),
)
def test_bit_strings_of_any_length_as_by_the_shift_register(strings: list[list[bool]], name: str) -> None:
    # CAN 2.0 part A p. 13: the shift register of the specification, bit by bit
    kind, top = CRCS[name], 1 << (CRCS[name].width - 1)

    def register(bits: list[bool]) -> int:
        value = kind.start
        for bit in bits:
            turn = bit != bool(value & top)
            value = (value << 1) & (2 * top - 1)
            value ^= kind.polynomial if turn else 0
        return value

    last = np.cumsum([len(string) for string in strings])
    first = last - [len(string) for string in strings]
    flat = np.array([bit for string in strings for bit in string])
    assert crc_of_bits(flat, first, last, kind).tolist() == [register(string) for string in strings]

    # the same from the ends of the runs of equal bits, and when a few bits follow
    begun = [[False, *string] for string in strings]
    following = [[*string[1:], not string[-1]] for string in begun]
    ends = [np.flatnonzero(np.not_equal(*pair)) + 1 for pair in zip(begun, following, strict=True)]
    turns = np.concatenate([len(string) - each for string, each in zip(begun, ends, strict=True)])
    starts = np.cumsum([0, *(len(each) for each in ends[:-1])])
    words = crc_of_runs(turns, starts, np.array([len(string) for string in begun]), kind)
    assert words.tolist() == [register(string) for string in begun]
    more = np.array([[string[0], True, False] for string in strings])
    longer = [register([*string, *tail]) for string, tail in zip(begun, more.tolist(), strict=True)]
    assert crc_continued(words, more, kind).tolist() == longer


def test_leading_zeros_do_not_change_a_check_that_starts_with_zero() -> None:
    # math: a zero register stays zero while zeros come
    assert crc_of(b"\0\0" + MESSAGE, CRCS["can15"]) == crc_of(MESSAGE, CRCS["can15"])
    assert crc_of(b"\0\0" + MESSAGE, CRCS["canfd17"]) != crc_of(MESSAGE, CRCS["canfd17"])


def test_lin_sum_of_the_worked_example() -> None:
    # LIN 2.2A, 2.8.3: 4A, 9F, 33 (carry), 19 (carry); inverted E6
    assert carry_sum(bytes.fromhex("4A5593E5")) == 0xE6
    assert carry_sum(b"\xff" * 8) == 0x00  # carry-wise and modulo 255
    assert carry_sum(b"\x00" * 8) == 0xFF
