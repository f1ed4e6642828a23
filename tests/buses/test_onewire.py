from __future__ import annotations

import anycrc
import numpy as np
import pytest
from bitstring import BitArray
from crccheck.crc import Crc8Maxim
from hypothesis import given
from hypothesis import strategies as st

from tests.encoders.onewire import onewire_line
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.buses.line.checksums import CRCS, crc_of
from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.impairments import jittered


def of_line(line: Line, rate: float = 1e6) -> Frames:
    return decode({"line": draw(line, rate=rate, high=5.0)}, "onewire", levels="ttl")


@pytest.mark.parametrize(
    "text, crc", [("02 1C B8 01 00 00 00", 0xA2), ("28 00 00 00 00 00 00", 0x1E), ("28 FF 4B 46 7F FF 0C", 0xAA),
                  ("50 05 4B 46 7F FF 0C 10", 0x1C)], ids=["of the note", "zeros", "own", "thermometer scratchpad"],
)  # fmt: skip
def test_the_check_of_an_identifier(text: str, crc: int) -> None:
    # example of the public note on 1-Wire CRCs (from memory); crccheck 1.3.1 and anycrc 2.1.0 agree on all
    raw = bytes.fromhex(text)
    assert crc_of(raw, CRCS["onewire8"]) == crc == Crc8Maxim.calc(raw)
    assert crc_of(raw + bytes([crc]), CRCS["onewire8"]) == 0


def test_a_byte_goes_least_significant_bit_first() -> None:
    bits = BitArray(uint=0x28, length=8)
    bits.reverse()
    assert bits.bin == "00010100"  # bitstring 5.0.0
    line = onewire_line([b"\x28"])
    lows = np.diff(line.times)[::2][2:]
    assert "".join("1" if low < 15e-6 else "0" for low in lows) == "00010100"
    assert of_line(line)[0]["data"] == b"\x28"


def test_a_rom_identifier_is_read_and_checked() -> None:
    raw = bytes.fromhex("33 02 1C B8 01 00 00 00 A2")
    good, bad = of_line(onewire_line([raw, raw[:-1] + b"\xa3"]))
    assert (good["presence"], good["command"], good["rom"], good.errors) == (True, "read rom", raw[1:], ())
    assert bad.errors == ("crc",)


def test_nobody_answers_a_reset() -> None:
    (frame,) = of_line(onewire_line([b"\xcc"], present=False))
    assert (frame["presence"], frame["data"], frame.errors) == (False, b"\xcc", ("no answer",))


@pytest.mark.parametrize(
    "wait, long, is_present",
    # present: all that is published, 15 to 60 us after the release and 60 to 240 us long (ends; public note on 1-Wire,
    # restated by open drivers); not: a spike, and what holds the line longer than any device may
    [(15e-6, 60e-6, True), (60e-6, 60e-6, True), (15e-6, 240e-6, True), (60e-6, 240e-6, True), (30e-6, 120e-6, True),
     (30e-6, 20e-6, False), (100e-6, 120e-6, False)],
)  # fmt: skip
def test_a_presence_pulse_comes_and_goes_in_its_time(wait: float, long: float, is_present: bool) -> None:
    times, now = [0.0, 500e-6, 500e-6 + wait, 500e-6 + wait + long], 1000e-6
    for bit in "00110011":  # 0xCC, the least significant bit first
        times += [now, now + (6e-6 if bit == "1" else 70e-6)]
        now += 80e-6
    (frame,) = of_line(Line(True, np.array(times), -1e-3, now + 1e-3))
    assert frame["presence"] is is_present
    if is_present:
        assert (frame["data"], frame.errors) == (b"\xcc", ())


SLOTS = [(1e-6, "1", False), (6e-6, "1", False), (14e-6, "1", False), (60e-6, "0", False), (119e-6, "0", False),
         (200e-6, "0", True), (230e-6, "0", True)]  # fmt: skip


@pytest.mark.parametrize("low, bit, is_wrong", SLOTS, ids=[f"{1e6 * row[0]:g}us" for row in SLOTS])
def test_the_low_time_of_a_slot_says_its_bit(low: float, bit: str, is_wrong: bool) -> None:
    # public component data, standard speed (from memory, not verified)
    line = onewire_line([b""])
    start = float(line.end)
    whole = Line(True, np.append(line.times, [start, start + low]), line.start, start + 2e-3)
    (frame,) = of_line(whole, rate=4e6)
    assert frame["partial"] == bit
    assert ("slot" in frame.errors) is is_wrong


@pytest.mark.parametrize("low", [300e-6, 425e-6, 470e-6, 479e-6, 480e-6, 500e-6])
@pytest.mark.parametrize("rate", [0.5e6, 1e6, 5e6])
def test_a_low_of_480_microseconds_is_a_reset_and_a_much_shorter_one_is_marked(low: float, rate: float) -> None:
    # public component data, standard speed (from memory, not verified): 480 us or more; no slot is longer than 120 us
    line = onewire_line([b"\xcc"])
    times = np.append(line.times, [line.end, line.end + low])
    first, second = of_line(Line(True, times, line.start, line.end + 2e-3), rate)
    assert (first["data"], first.errors) == (b"\xcc", ())
    assert ("slot" in second.errors) is (low < 432e-6)


@pytest.mark.parametrize("rate", [0.5e6, 1e6, 5e6])
def test_a_master_that_is_a_little_fast_is_read(rate: float) -> None:
    whole = onewire_line([b"\xcc\x44", b"\xcc\xbe"])
    fast = Line(True, 0.998 * 480 / 500 * whole.times, whole.start, whole.end)
    assert [(frame["data"], frame.errors) for frame in of_line(fast, rate)] == [(b"\xcc\x44", ()), (b"\xcc\xbe", ())]


def test_slots_before_the_first_reset_are_marked() -> None:
    line = onewire_line([b"\xcc\x44", b"\xcc\xbe"])
    cut = Line(True, line.times[6:], float(line.times[6]) - 1e-5, line.end)
    first, second = of_line(cut)
    assert "unsynchronised" in first.errors
    assert (second["data"], second.errors) == (b"\xcc\xbe", ())


@given(st.lists(st.binary(min_size=1, max_size=12), min_size=1, max_size=4), st.integers(0, 999))
def test_what_is_encoded_and_impaired_is_decoded_again(sent: list[bytes], seed: int) -> None:
    generator = np.random.default_rng(seed)
    sent = [b"\xcc" + raw for raw in sent]
    line = jittered(onewire_line(sent), 0.5e-6, generator)
    tx = draw(line, rate=2e6, high=5.0, rise_time=3e-6, fall_time=0.2e-6, noise=0.1, generator=generator)
    frames = decode({"line": tx}, "onewire", levels="ttl")
    assert [frame["data"] for frame in frames] == sent
    assert not frames.has_errors.any()


def test_the_check_value_of_the_catalogue() -> None:
    # CRC catalogue: CRC-8/MAXIM-DOW of "123456789", polynomial x8 + x5 + x4 + 1 reflected
    assert crc_of(b"123456789", CRCS["onewire8"]) == Crc8Maxim.calc(b"123456789") == 0xA1
    assert anycrc.Model("CRC8-MAXIM-DOW").calc(b"123456789") == 0xA1


@pytest.mark.parametrize("rest, errors", [(0.1e-3, ("cut",)), (0.6e-3, ())])
def test_a_record_that_ends_soon_after_a_slot_may_hold_only_a_part(rest: float, errors: tuple[str, ...]) -> None:
    # a pause as long as a reset, 480 us (public component data, from memory): nothing that was begun goes on after it
    whole = onewire_line([b"\xcc\x44"])
    ended = Line(True, whole.times, whole.start, float(whole.times[-1]) + rest)
    (frame,) = of_line(ended)
    assert (frame["data"], frame.errors) == (b"\xcc\x44", errors)
    low = Line(True, whole.times[:-1], whole.start, whole.end)
    assert of_line(low)[0].errors  # the last slot is low to the end, as a reset would be
