from __future__ import annotations

from typing import Any

import anycrc
import numpy as np
import pytest
from crccheck.crc import Crc8Smbus
from hypothesis import given
from hypothesis import strategies as st

from tests.encoders.impairments import skewed
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.errors import Misuse
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import Transfer, i2c_lines, read_transfer, write_transfer
from wavewright.simulation.encoders.impairments import jittered


def said(transfers: list[Transfer], then: str, **options: object) -> Frames:
    scl, sda = i2c_lines(transfers, lead=2e-5, tail=2e-5)
    return decode({"scl": draw(scl, rate=2e6), "sda": draw(sda, rate=2e6)}, "i2c", then=then, **options)


PEC = [  # transfers, address, read, command, data, code; crccheck 1.3.1 and anycrc 2.1.0 agree
    ([Transfer(b"\xb4\x24\x7f\xc1")], 0x5A, False, 0x24, b"\x7f", 0xC1),
    ([Transfer(b"\xb4\x07", stop=False), read_transfer(0x5A, b"\xd2\x3a\x30")], 0x5A, True, 7, b"\xd2:", 48),
    ([Transfer(b"\x90\x03\xe8")], 0x48, False, 0x03, b"", 0xE8),
    ([Transfer(b"\x90\x00", stop=False), read_transfer(0x48, b"\x19\x80\x04")], 0x48, True, 0, b"\x19\x80", 4),
]  # fmt: skip


@pytest.mark.parametrize("row", PEC, ids=[f"{row[3]:02X}" for row in PEC])
def test_a_packet_error_code_goes_over_addresses_too(row: tuple[Any, ...]) -> None:
    # SMBus 2.0/3.x, 5.4 (from memory)
    transfers, address, read, command, data, code = row
    (frame,) = said(transfers, "smbus", pec=True)
    assert (frame["address"], frame["read"], frame["command"], frame["data"], frame["pec"]) == (
        address, read, command, data, code,
    )  # fmt: skip
    assert frame.errors == ()
    assert Crc8Smbus.calc(b"".join(transfer.sent for transfer in transfers)[:-1]) == code
    last = transfers[-1]
    wrong = Transfer(last.sent[:-1] + bytes([code ^ 1]), last.acknowledged)
    assert said([*transfers[:-1], wrong], "smbus", pec=True)[0].errors == ("pec",)


def test_without_a_code_nothing_is_checked() -> None:
    (frame,) = said([Transfer(b"\xb4\x24\x7f")], "smbus")
    assert (frame["command"], frame["data"]) == (0x24, b"\x7f")
    assert "pec" not in frame.fields


def test_register_accesses_follow_the_pointer() -> None:
    # common practice, no source
    frames = said(
        [
            write_transfer(0x48, b"\x01\x60\x61"),  # writes registers 1 and 2
            read_transfer(0x48, b"\x11"),  # reads register 3
            write_transfer(0x48, b"\x00", stop=False),
            read_transfer(0x48, b"\x19\x80"),
            write_transfer(0x48, b"\x07"),  # sets the pointer and nothing else
            read_transfer(0x49, b"\x55"),  # nobody said where its pointer is
        ],
        "i2c_memory",
    )
    assert [(f.kind, f["address"], f.fields.get("register"), f["data"]) for f in frames] == [
        ("write", 0x48, 1, b"\x60\x61"),
        ("read", 0x48, 3, b"\x11"),
        ("read", 0x48, 0, b"\x19\x80"),
        ("select", 0x48, 7, b""),
        ("read", 0x49, None, b"\x55"),
    ]


def test_a_memory_may_have_wide_addresses() -> None:
    (frame,) = said([write_transfer(0x50, b"\x12\x34\xaa\xbb")], "i2c_memory", register_bytes=2)
    assert (frame["register"], frame["data"]) == (0x1234, b"\xaa\xbb")
    with pytest.raises(Misuse, match=r"1 \.\. 4"):
        said([write_transfer(0x50, b"\x12")], "i2c_memory", register_bytes=0)


def test_an_address_that_nobody_answers_is_an_error_of_the_access() -> None:
    (frame,) = said([Transfer(b"\x90", [False])], "i2c_memory")
    assert frame.errors == ("not acknowledged",)


def test_the_check_value_of_the_catalogue_comes_over_the_wire() -> None:
    # SMBus 2.0/3.x, 5.4 (from memory): CRC-8 with polynomial 0x07 and start 0, address and direction included
    assert Crc8Smbus.calc(b"123456789") == anycrc.Model("CRC8-SMBUS").calc(b"123456789") == 0xF4
    # "1" is the address byte 0x31: a read from 0x18
    (frame,) = said([read_transfer(0x18, b"23456789\xf4")], "smbus", pec=True)
    assert (frame["address"], frame["read"], frame["pec"], frame.errors) == (0x18, True, 0xF4, ())
    (wrong,) = said([read_transfer(0x18, b"23456788\xf4")], "smbus", pec=True)
    assert wrong.errors == ("pec",)


TEN_BIT = [  # UM10204, 3.1.11 (from memory): 11110 A9 A8 R/W, then A7 to A0; here 0x2A5
    ("write", [Transfer(b"\xf4\xa5\x24\x7f")], False, 0x24, b"\x7f"),
    ("read", [Transfer(b"\xf4\xa5\x07", stop=False), Transfer(b"\xf5\xd2\x3a")], True, 0x07, b"\xd2\x3a"),
]


@pytest.mark.parametrize("row", TEN_BIT, ids=[row[0] for row in TEN_BIT])
def test_a_packet_error_code_goes_over_both_bytes_of_a_ten_bit_address(row: tuple[Any, ...]) -> None:
    _, transfers, read, command, data = row
    code = Crc8Smbus.calc(b"".join(transfer.sent for transfer in transfers))  # crccheck 1.3.1
    last = transfers[-1]
    (frame,) = said([*transfers[:-1], Transfer(last.sent + bytes([code]))], "smbus", pec=True)
    assert (frame["address"], frame["read"], frame["command"]) == (0x2A5, read, command)
    assert (frame["data"], frame["pec"], frame.errors) == (data, code, ())
    (wrong,) = said([*transfers[:-1], Transfer(last.sent + bytes([code ^ 0x80]))], "smbus", pec=True)
    assert wrong.errors == ("pec",)


def impaired(transfers: list[Transfer], then: str, seed: int, **options: object) -> Frames:
    """Through lines with jitter, skew, slow edges and noise."""
    generator = np.random.default_rng(seed)
    scl, sda = i2c_lines(transfers, lead=3e-5, tail=3e-5)
    lines = {"scl": jittered(scl, 0.1e-6, generator), "sda": skewed(jittered(sda, 0.1e-6, generator), 0.3e-6)}
    edges = {"rise_time": 0.8e-6, "noise": 0.08, "generator": generator}
    return decode({name: draw(line, rate=2e6, **edges) for name, line in lines.items()}, "i2c", then=then, **options)


def address_bytes(address: int, is_ten_bit: bool, *, read: bool = False) -> bytes:
    if is_ten_bit and read:
        return bytes([0xF1 | address >> 8 << 1])
    if is_ten_bit:
        return bytes([0xF0 | address >> 8 << 1, address & 0xFF])
    return bytes([address << 1 | read])


SPOKEN = st.tuples(
    st.booleans(), st.integers(0x08, 0x77), st.integers(0, 255), st.binary(min_size=1, max_size=6), st.booleans()
)


@given(spoken=st.lists(SPOKEN, min_size=1, max_size=5), seed=st.integers(0, 999))
def test_transactions_with_a_code_come_back_through_poor_lines(
    spoken: list[tuple[bool, int, int, bytes, bool]], seed: int
) -> None:
    # given writes and reads of 7-bit and 10-bit addresses, whose code is crccheck's
    transfers: list[Transfer] = []
    for is_ten_bit, address, command, data, read in spoken:
        head = address_bytes(address, is_ten_bit) + bytes([command])
        if read:
            again = address_bytes(address, is_ten_bit, read=True) + data
            code = Crc8Smbus.calc(head + again)
            transfers += [Transfer(head, stop=False), Transfer(again + bytes([code]))]
        else:
            transfers.append(Transfer(head + data + bytes([Crc8Smbus.calc(head + data)])))
    frames = impaired(transfers, "smbus", seed, pec=True)
    assert [(f["address"], f["command"], f["data"], f["read"]) for f in frames] == [
        (address, command, data, read) for _, address, command, data, read in spoken
    ]
    assert not frames.has_errors.any()


@given(
    accesses=st.lists(
        st.tuples(st.integers(0x08, 0x77), st.integers(0, 0xFFFF), st.binary(min_size=1, max_size=8), st.booleans()),
        min_size=1, max_size=5,
    ),
    wide=st.booleans(),
    seed=st.integers(0, 999),
)  # fmt: skip
def test_register_accesses_come_back_through_poor_lines(
    accesses: list[tuple[int, int, bytes, bool]], wide: bool, seed: int
) -> None:
    size = 2 if wide else 1
    accesses = [(address, register % (1 << 8 * size), data, read) for address, register, data, read in accesses]
    transfers: list[Transfer] = []
    for address, register, data, read in accesses:
        chosen = register.to_bytes(size, "big")
        if read:
            transfers += [write_transfer(address, chosen, stop=False), read_transfer(address, data)]
        else:
            transfers.append(write_transfer(address, chosen + data))
    frames = impaired(transfers, "i2c_memory", seed, register_bytes=size)
    assert [(f["address"], f["register"], f["data"], f.kind == "read") for f in frames] == accesses
    assert not frames.has_errors.any()


@pytest.mark.parametrize(
    "refused, register",
    [((False, False), None), ((True, False), None), ((True, True), 0x10)],
    ids=["address", "byte", "none"],
)
def test_a_pointer_that_nobody_took_is_not_kept(refused: tuple[bool, ...], register: int | None) -> None:
    # common practice, no source: what a device does not acknowledge it does not know
    select = Transfer(b"\xa0\x10", refused)
    first, second = said([select, read_transfer(0x50, b"\x19\x80")], "i2c_memory")
    assert (first.kind, first["register"], "not acknowledged" in first.errors) == ("select", 0x10, not all(refused))
    assert second.fields.get("register") == register


def test_bytes_that_were_refused_do_not_move_the_pointer() -> None:
    write = Transfer(b"\xa0\x10\x01\x02\x03", (True, True, True, True, False))
    _, read = said([write, read_transfer(0x50, b"\x19")], "i2c_memory")
    assert read["register"] == 0x12
