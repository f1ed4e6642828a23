from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.buses.damaged.wire import Wire
from tests.buses.wires import bits_of
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.buses.line.line_codes import (
    biphase_mark_bits,
    biphase_mark_halves,
    manchester_halves,
    nrzi_bits,
    nrzi_levels,
    stuffed_bits,
    unstuffed_bits,
)
from wavewright.simulation.encoders.bits import line_of_bits
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.impairments import jittered

BITS = st.lists(st.booleans(), min_size=1, max_size=80)


def bursts(*halves: list[int] | np.ndarray, rest: int = 0, **options: object) -> Frames:
    row = [rest] * 10
    for burst in halves:
        row += [*np.asarray(burst).astype(int).tolist(), *[rest] * 10]
    return decode({"line": draw(line_of_bits(row, bit_time=0.5), rate=20)}, "manchester", **options)


MANCHESTER = [  # closed form from the definitions in IEEE 802.3, clause 7 (from memory), and its inverse
    (b"\xa5", "ieee", "01 10 01 10 10 01 10 01"),
    (b"\xa5", "inverted", "10 01 10 01 01 10 01 10"),
    (b"\x0f", "ieee", "10 10 10 10 01 01 01 01"),
]


@pytest.mark.parametrize("data, convention, halves", MANCHESTER)
def test_manchester_code_is_read_from_its_half_bits(data: bytes, convention: str, halves: str) -> None:
    bits = np.unpackbits(np.frombuffer(data, dtype=np.uint8))
    assert manchester_halves(bits, convention=convention).tolist() == [bool(bit) for bit in bits_of(halves)]
    for rest in (0, 1):
        (frame,) = bursts(bits_of(halves), rest=rest, bit_rate=1.0, convention=convention)
        assert (frame["data"], frame.errors) == (data, ())


def test_constant_data_give_nothing_to_lock_to() -> None:
    (frame,) = bursts(bits_of("10 10 10 10 10 10 10 10"), rest=0, bit_rate=1.0)
    assert frame.fields == {}
    assert frame.errors == ("sync",)


def test_a_burst_that_slips_by_half_a_bit_is_marked() -> None:
    (frame,) = bursts(bits_of("01 10 01 0 01 10 01"), bit_rate=1.0)
    assert "timing" in frame.errors


@given(
    data=st.binary(min_size=1, max_size=20), convention=st.sampled_from(["ieee", "inverted"]), seed=st.integers(0, 99)
)
def test_manchester_bursts_come_back_through_a_poor_line(data: bytes, convention: str, seed: int) -> None:
    data = b"\xa5" + data  # a preamble with whole-bit intervals
    halves = manchester_halves(np.unpackbits(np.frombuffer(data, dtype=np.uint8)), convention=convention)
    generator = np.random.default_rng(seed)
    row = [0] * 10 + halves.astype(int).tolist() + [0] * 10
    line = jittered(line_of_bits(row, bit_time=0.5), 0.015, generator)
    tx = draw(line, rate=24, rise_time=0.1, noise=0.1, generator=generator)
    (frame,) = decode({"line": tx}, "manchester", convention=convention)
    assert (frame["data"], frame.errors) == (data, ())


def test_nrzi_of_the_usb_sync_byte() -> None:
    # USB 2.0, 7.1.8–10 (from memory): 0 toggles; 0x80 least significant bit first, from idle J = 1: K J K J K J K K
    levels = nrzi_levels(bits_of("00000001"), toggles_on=0, level=1)
    assert levels.astype(int).tolist() == bits_of("01010100")


def test_nrzi_of_both_kinds() -> None:
    # common practice, no source
    assert nrzi_levels(bits_of("10110010"), toggles_on=1, level=0).astype(int).tolist() == bits_of("11011100")
    assert nrzi_levels(bits_of("10110010"), toggles_on=0, level=1).astype(int).tolist() == bits_of("10001001")


def test_a_zero_after_six_ones() -> None:
    # USB 2.0, 7.1.9 (from memory)
    assert stuffed_bits([1] * 16).astype(int).tolist() == bits_of("111111011111101111")
    assert unstuffed_bits([1] * 7)[1] is False


def test_biphase_mark() -> None:
    # IEC 60958 (from memory): a change at each bit start, and in the middle of a 1
    halves = biphase_mark_halves(bits_of("10110010"), level=0)
    assert halves.astype(int).tolist() == bits_of("10 11 01 01 00 11 01 00")


@given(BITS, st.integers(0, 1), st.integers(0, 1))
def test_line_codes_are_undone_by_their_inverses(bits: list[bool], toggles_on: int, level: int) -> None:
    levels = nrzi_levels(bits, toggles_on=toggles_on, level=level)
    assert nrzi_bits(levels, toggles_on=toggles_on, level=level).tolist() == bits
    assert biphase_mark_bits(biphase_mark_halves(bits, level=level)).tolist() == bits
    back, sound = unstuffed_bits(stuffed_bits(bits))
    assert (back.tolist(), sound) == (bits, True)


@pytest.mark.parametrize("begin, end", [(33.0, 193.0), (0.0, 100.0), (33.0, 400.0)])
def test_a_burst_that_the_record_cuts_is_marked(begin: float, end: float) -> None:
    # 24 bits of 10 us from 20 us on: what is left of them is a whole number of bytes where both ends are cut
    line = Wire(0)
    line.hold(0, 20e-6)
    for sign in f"{0xF4988B:024b}":
        line.send("01" if sign == "1" else "10", 5e-6)
    line.hold(0, 200e-6)
    wave = line.sampled(begin * 1e-6, end * 1e-6, interval=2e-7, phase=0.2, generator=np.random.default_rng(1))
    (frame,) = decode({"line": wave}, "manchester", bit_rate=1e5, levels=(1.3, 2.0))
    assert "cut" in frame.errors
