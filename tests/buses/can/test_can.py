from __future__ import annotations

import re

import anycrc
import can as python_can
import crccheck
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.buses.wires import bits_of, can_of, wave
from tests.encoders.impairments import asymmetric, cropped
from wavewright.buses.decode import decode
from wavewright.buses.line.checksums import CRCS, crc_of
from wavewright.simulation.encoders.bits import line_of_bits
from wavewright.simulation.encoders.can import CanMessage, can_line, frame_bits, message_bits, shift_register, stuffed
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.impairments import jittered, off_rate
from wavewright.waveform import Waveform

TWO_ENCODERS = "two separately written encoders agree on the bits, crccheck 1.3.1 and anycrc 2.1.0 on the CRC"
HELLO_BITS = "0001001000110000011001001000011001010110011001101001011111111"
FRAMES = [  # message, CRC, line
    (CanMessage(0x123, b"He"), 0x3334, HELLO_BITS),
    (CanMessage(0x014, b"\x01"), 0x7753, "0000010010100000100010000010011110111010100111011111111"),
    (CanMessage(0x000), 0x0000, "00000100000100000100000100000100000100001011111111"),
    (CanMessage(0x2A5, remote=True, length=4), 0x1EBA, "00101010010110001000011110101110101011111111"),
    (CanMessage(0x100, b"\x0f"), 0x6CA0, "00010000010000010000100001111101011001010000011011111111"),
    (
        CanMessage(0x7FF, b"\xff" * 8), 0x4C89,
        "0111110111110100010001111101111101111101111101111101111101111101111101111101111101111101111101111100011001000"
        "10011011111111",
    ),
    (
        CanMessage(0x12345678, bytes.fromhex("DEADBEEF"), extended=True), 0x331B,
        "01001000110111000101011001111000001001001101111010101101101111100111011110110011000110111011111111",
    ),
    (
        CanMessage(0, extended=True), 0x4610,
        "00000100000100110000010000010000010000010000011000110000100001011111111",
    ),
]  # fmt: skip
IDS = [f"{row[0].identifier:X}-{row[0].data.hex()}" for row in FRAMES]


@pytest.mark.parametrize("message, crc, line", FRAMES, ids=IDS)
def test_a_frame_is_read_from_its_bits(message: CanMessage, crc: int, line: str) -> None:
    (frame,) = can_of(line)
    assert (frame["identifier"], frame["extended"], frame["remote"]) == (
        message.identifier, message.extended, message.remote,
    )  # fmt: skip
    assert (frame.kind, frame["data"], frame["crc"]) == ("remote" if message.remote else "data", message.data, crc)
    assert (frame["acknowledged"], frame.errors) == (True, ()), TWO_ENCODERS
    assert frame["length"] == (len(message.data) if message.length is None else message.length)
    assert frame.end - frame.start == pytest.approx(len(line), abs=0.2)
    assert frame_bits(message) == bits_of(line)


@pytest.mark.parametrize("message, crc", [row[:2] for row in FRAMES], ids=IDS)
def test_the_crc_of_a_frame_is_that_of_two_libraries(message: CanMessage, crc: int) -> None:
    # CAN 2.0 part A p. 13; a start value of 0 allows zeros on the left up to whole bytes
    bits = "".join(map(str, message_bits(message)))
    padded = int(bits, 2).to_bytes((len(bits) + 7) // 8, "big")
    assert crccheck.crc.Crc15Can.calc(padded) == crc
    assert anycrc.Model("CRC15-CAN").calc(padded) == crc


@pytest.mark.parametrize(
    "line, bits", [(row[2], bits) for row, bits in zip(FRAMES, (61, 55, 50, 44, 56, 123, 98, 71), strict=True)], ids=IDS
)
def test_a_frame_has_its_length(line: str, bits: int) -> None:
    assert len(line) == bits
    assert 2 * len(HELLO_BITS) == 122  # HELLO_BITS: 122 µs at 500 kbit/s


@pytest.mark.parametrize("count", range(9), ids=lambda count: f"{count}")
def test_lengths_before_stuffing_follow_from_the_fields(count: int) -> None:
    for extended, fixed in ((False, 44), (True, 64)):
        message = CanMessage(1, bytes(count), extended=extended)
        assert len(message_bits(message)) + 15 + 10 == fixed + 8 * count


@pytest.mark.parametrize("size, most", [(34, 8), (42, 10), (98, 24), (54, 13), (118, 29)], ids=lambda x: f"{x}")
def test_the_most_stuff_bits_come_from_runs_of_five_then_four(size: int, most: int) -> None:
    # arithmetic: ⌊(n − 1) / 4⌋
    bits = [0] * 5
    while len(bits) < size:
        bits += [1 - bits[-1]] * 4
    assert len(stuffed(bits[:size])) - size == most == (size - 1) // 4


def test_a_recessive_acknowledge_slot() -> None:
    (frame,) = can_of(HELLO_BITS[:-10] + "1111111111")
    assert (frame["acknowledged"], frame.errors, frame["data"]) == (False, ("not acknowledged",), b"He")


@pytest.mark.parametrize("place, crc", [(5, 0x3FC9), (20, 0x2F31), (30, 0x1EA3)], ids=["5", "20", "30"])
def test_a_flipped_bit_is_a_crc_error(place: int, crc: int) -> None:
    message = CanMessage(0x123, b"He")
    bits = message_bits(message)
    bits[place] ^= 1
    padded = int("".join(map(str, bits)), 2).to_bytes((len(bits) + 7) // 8, "big")
    assert crccheck.crc.Crc15Can.calc(padded) == crc
    (frame,) = can_of(frame_bits(CanMessage(0x123, b"He", flipped=(place,))))
    assert "crc" in frame.errors
    assert frame["crc"] == 0x3334


def test_a_stuff_bit_like_its_neighbours_ends_the_frame() -> None:
    (frame,) = can_of(HELLO_BITS[:17] + "0" + HELLO_BITS[18:])
    assert frame.errors == ("stuff",)
    assert frame["identifier"] == 0x123
    assert not {"data", "crc", "acknowledged"} & set(frame.fields)


def test_a_dominant_crc_delimiter_is_a_form_error() -> None:
    (frame,) = can_of(HELLO_BITS[:-10] + "0" + HELLO_BITS[-9:])
    assert frame.errors == ("form",)
    for place in range(-8, 0):
        changed = list(HELLO_BITS)
        changed[place] = "0"
        assert "form" in can_of("".join(changed))[0].errors


def test_a_remote_frame_keeps_its_length_code_and_has_no_data() -> None:
    # CAN 2.0 part B, 3.1.2 (from memory)
    (frame,) = can_of(frame_bits(CanMessage(0x155, remote=True, length=8)))
    assert (frame.kind, frame["length"], frame["data"], frame.errors) == ("remote", 8, b"", ())


@pytest.mark.parametrize("flag", [6, 9, 12])
def test_an_error_flag_makes_an_error_frame(flag: int) -> None:
    # CAN 2.0 part B, 3.1.3 (from memory): 6 to 12 equal bits, then 8 recessive
    frames = can_of(HELLO_BITS[:30] + "0" * flag + "1" * 11 + HELLO_BITS)
    assert [frame.kind for frame in frames] == ["error", "data"]
    assert frames[0].errors == ("error flag",)
    assert frames[0]["identifier"] == 0x123
    assert "data" not in frames[0].fields
    assert frames[1].errors == ()


@pytest.mark.parametrize("code", range(9, 16), ids=lambda code: f"{code}")
def test_a_length_code_above_eight_means_eight_bytes(code: int) -> None:
    # ISO 11898-1 (from memory)
    (frame,) = can_of(frame_bits(CanMessage(0x55, b"12345678", length=code)))
    assert (frame["length"], frame["data"], frame.errors) == (code, b"12345678", ())


@pytest.mark.parametrize("first", range(1, 61, 4))
def test_a_frame_under_way_when_the_record_begins_is_left_out(first: int) -> None:
    # ISO 11898-1 (from memory): 11 recessive bits before a start of frame
    frames = can_of(HELLO_BITS[first:] + "111" + HELLO_BITS, lead=0)
    assert [(frame["identifier"], frame.errors) for frame in frames] == [(0x123, ())]


def test_a_frame_after_little_idle_is_told_if_nothing_is_wrong_with_it() -> None:
    assert len(can_of(HELLO_BITS, lead=3)) == 1
    assert len(can_of(HELLO_BITS[:20] + "1" + HELLO_BITS[20:], lead=3)) == 0


def test_a_frame_that_the_record_cuts_off_is_marked() -> None:
    (frame,) = can_of(HELLO_BITS[:30], tail=0)
    assert frame.errors == ("cut",)
    assert frame["identifier"] == 0x123
    assert "data" not in frame.fields


TIMING = [(80e6, 500e3, 10, 13, 2, 16, 0.875), (16e6, 500e3, 2, 13, 2, 16, 0.875), (8e6, 125e3, 4, 13, 2, 16, 0.875),
          (80e6, 1e6, 4, 14, 5, 20, 0.75)]  # fmt: skip


@pytest.mark.parametrize("row", TIMING, ids=[f"{row[0] / 1e6:g}-{row[1] / 1e3:g}" for row in TIMING])
def test_a_frame_is_read_at_the_sample_points_of_another_library(row: tuple[float, ...]) -> None:
    # python-can 4.6.1: BitTiming.from_sample_point
    clock, rate, prescaler, first, second, quanta, point = row
    timing = python_can.BitTiming.from_sample_point(f_clock=int(clock), bitrate=int(rate), sample_point=100 * point)
    assert (timing.brp, timing.tseg1, timing.tseg2, timing.nbt) == (prescaler, first, second, quanta)
    assert timing.sample_point / 100 == pytest.approx((1 + first) / quanta)
    line = can_line([CanMessage(0x123, b"He")], bit_rate=timing.bitrate)
    waves = {"line": draw(line, rate=20 * timing.bitrate)}
    (frame,) = decode(waves, "can", bit_rate=rate, sample_point=timing.sample_point / 100)
    assert (frame["data"], frame.errors) == (b"He", ())


def test_a_clock_off_by_one_per_cent_does_no_harm() -> None:
    # closed form: at most 10 bits between edges to dominant, (1 − 0.875) / 10 = 1.25 % a bit
    messages = [CanMessage(identifier, b"\xff\x00" * 4) for identifier in (0x123, 0x000, 0x7FF)]
    for error in (-0.012, 0.012):
        line = off_rate(can_line(messages, bit_rate=1.0), error)
        frames = decode({"line": draw(line, rate=50)}, "can", bit_rate=1.0, sample_point=0.875 if error < 0 else 0.5)
        assert [frame.errors for frame in frames] == [()] * 3
        assert frames.facts["bit_rate"] == pytest.approx(1 + error, abs=1e-3)


def test_a_differential_pair_is_recessive_at_no_difference() -> None:
    # ISO 11898-2 (from memory)
    line = can_line([CanMessage(0x123, b"He")])
    waves = {"high": draw(line, rate=10e6, low=3.5, high=2.5), "low": draw(line, rate=10e6, low=1.5, high=2.5)}
    (frame,) = decode(waves, "can", bit_rate=500e3)
    assert (frame["identifier"], frame["data"], frame.errors) == (0x123, b"He", ())


def own_encoder(message: python_can.Message) -> str:
    """Bits of a message of another library: its own fields, crccheck's CRC, and stuffing by a regular expression."""
    identifier = f"{message.arbitration_id:029b}" if message.is_extended_id else f"{message.arbitration_id:011b}"
    remote = str(int(message.is_remote_frame))
    between = "11" if message.is_extended_id else ""
    head = f"0{identifier[:11]}{between}{identifier[11:]}{remote}00"
    bits = head + f"{message.dlc:04b}" + "".join(f"{byte:08b}" for byte in message.data)
    bits += f"{crccheck.crc.Crc15Can.calc(int(bits, 2).to_bytes((len(bits) + 7) // 8, 'big')):015b}"
    at = 0
    while match := re.search(r"00000|11111", bits[at:]):
        end = at + match.end()
        bits = bits[:end] + ("1" if bits[end - 1] == "0" else "0") + bits[end:]
        at = end
    return bits + "101" + "1" * 7


MESSAGES = st.builds(
    lambda extended, number, remote, data: python_can.Message(
        arbitration_id=number if extended else number & 0x7FF,
        is_extended_id=extended,
        is_remote_frame=remote,
        dlc=len(data),
        data=None if remote else data,
    ),
    st.booleans(),
    st.integers(0, 2**29 - 1),
    st.booleans(),
    st.binary(max_size=8),
)


@given(messages=st.lists(MESSAGES, min_size=1, max_size=6), samples=st.floats(6, 30), seed=st.integers(0, 999))
def test_messages_of_another_library_come_back_through_a_poor_line(
    messages: list[python_can.Message], samples: float, seed: int
) -> None:
    # given messages of python-can on a line with jitter, slow recessive edges and noise
    generator = np.random.default_rng(seed)
    text = "1" * 11 + "".join(own_encoder(message) + "111" for message in messages) + "1" * 8
    levels = bits_of(text)
    line = asymmetric(jittered(line_of_bits(levels, bit_time=2e-6), 0.04e-6, generator), rise=0.1e-6)
    tx = draw(line, rate=5e5 * samples, rise_time=0.3e-6, noise=0.1, generator=generator)
    frames = decode({"line": tx}, "can", bit_rate=5e5)
    read = [
        python_can.Message(
            arbitration_id=f["identifier"], is_extended_id=f["extended"], is_remote_frame=f["remote"],
            dlc=f["length"], data=None if f["remote"] else f["data"],
        )
        for f in frames
    ]  # fmt: skip
    assert all(sent.equals(back, timestamp_delta=None) for sent, back in zip(messages, read, strict=True))
    assert not frames.has_errors.any()


@given(first=st.integers(0, 250), length=st.integers(20, 400))
def test_a_record_that_begins_and_ends_inside_frames_invents_none(first: int, length: int) -> None:
    messages = [
        CanMessage(0x123, b"He"),
        CanMessage(0x014, b"\x01"),
        CanMessage(0x12345678, b"\xde\xad", extended=True),
    ]
    part = cropped(can_line(messages, bit_rate=1.0, start=20.0), first + 0.37, first + length)
    frames = decode({"line": draw(part, rate=12)}, "can", bit_rate=1.0, levels="lvcmos33")
    sent = {(message.identifier, message.data) for message in messages}
    assert {(frame["identifier"], frame["data"]) for frame in frames if frame.is_clean} <= sent


def test_auto_finds_the_bit_rate() -> None:
    line = can_line([CanMessage(0x123, b"He"), CanMessage(0x2AA, b"\x55\xaa")], bit_rate=125e3)
    frames = decode({"line": draw(line, rate=2e6)}, "can")
    assert [frame.errors for frame in frames] == [(), ()]
    assert frames.facts["bit_rate"] == pytest.approx(125e3, rel=1e-3)


def test_a_glitch_inside_a_frame_is_marked() -> None:
    volts = wave(HELLO_BITS, samples=20).values()
    volts[20 * 15 + 20 * 4 + 2 : 20 * 15 + 20 * 4 + 4] = 3.3 - volts[20 * 15 + 20 * 4 + 2]
    (frame,) = decode({"line": Waveform.from_volts(volts, interval=0.05)}, "can", bit_rate=1.0)
    assert "glitch" in frame.errors


# What the standard says of fields, put together here without the encoder; CAN 2.0 part B, 3 and 5 (from memory).


def with_check(fields: str) -> str:
    """The bits of the fields up to the data, without stuff bits, and their CRC by crccheck 1.3.1."""
    bits = fields.replace(" ", "")
    whole = bits.zfill(-(-len(bits) // 8) * 8)
    return f"{bits}{crccheck.crc.Crc15Can.calc(int(whole, 2).to_bytes(len(whole) // 8, 'big')):015b}"


def with_stuff_bits(bits: str) -> str:
    """After the fifth of equal bits the other one, which begins the next run: by looking back, not by counting."""
    line, begin = "", 0
    for bit in bits:
        line += bit
        if len(line) - begin >= 5 and len(set(line[-5:])) == 1:
            begin = len(line)
            line += "0" if bit == "1" else "1"
    return line


def by_fields(fields: str) -> str:
    return with_stuff_bits(with_check(fields)) + "1011111111"


def test_dominant_is_low_and_wins_and_recessive_is_idle() -> None:
    # CAN 2.0; ISO 11898-1 (from memory): of two nodes that begin together the lower identifier goes on unharmed
    lines = [bits_of(by_fields(f"0 {identifier:011b} 0 0 0 0001 01010101")) for identifier in (0x123, 0x2A5)]
    lost = next(place for place, (one, other) in enumerate(zip(*lines, strict=False)) if one != other)
    assert (lines[0][lost], lines[1][lost]) == (0, 1)
    together = [one & other for one, other in zip(lines[0][: lost + 1], lines[1], strict=False)] + lines[0][lost + 1 :]
    (frame,) = can_of(together)
    assert (frame["identifier"], frame.errors) == (0x123, ())
    assert len(can_of([1] * 200)) == 0
    # the same seen upside down idles dominant, which no bus does
    upside_down = decode({"line": wave([1 - bit for bit in [1] * 20 + together + [1] * 20])}, "can", bit_rate=1.0)
    assert not any(frame.is_clean for frame in upside_down)


@pytest.mark.parametrize("identifier", [0x000, 0x123, 0x555, 0x7EF])
@pytest.mark.parametrize("data", [b"", b"\x80", b"He", bytes(range(0x11, 0x99, 0x11))], ids=len)
def test_a_base_frame_has_these_fields_in_this_order(identifier: int, data: bytes) -> None:
    # SOF, 11 bits of identifier, RTR, IDE, r0, DLC, data, CRC 15, delimiter, ACK, delimiter, EOF
    fields = f"0 {identifier:011b} 0 0 0 {len(data):04b} " + "".join(f"{byte:08b}" for byte in data)
    (frame,) = can_of(by_fields(fields))
    assert (frame["identifier"], frame["extended"], frame["data"], frame.errors) == (identifier, False, data, ())


@pytest.mark.parametrize("identifier", [0x0000_0000, 0x1234_5678, 0x1555_5555, 0x0ABC_DEF0])
@pytest.mark.parametrize("remote", [0, 1])
def test_an_extended_frame_has_these_fields_in_this_order(identifier: int, remote: int) -> None:
    # SOF, identifier 28 to 18, SRR, IDE, identifier 17 to 0, RTR, r1, r0, DLC, data
    fields = f"0 {identifier >> 18:011b} 1 1 {identifier & 0x3FFFF:018b} {remote} 0 0 0010 " + "" + (
        "" if remote else f"{0xBEEF:016b}"
    )  # fmt: skip
    (frame,) = can_of(by_fields(fields))
    assert (frame["identifier"], frame["extended"], frame["remote"]) == (identifier, True, bool(remote))
    assert (frame["data"], frame["length"], frame.errors) == (b"" if remote else b"\xbe\xef", 2, ())


def test_the_check_value_of_the_catalogue() -> None:
    # CRC catalogue: CRC-15/CAN of "123456789"
    assert crccheck.crc.Crc15Can.calc(b"123456789") == anycrc.Model("CRC15-CAN").calc(b"123456789") == 0x059E
    bits = np.unpackbits(np.frombuffer(b"123456789", dtype=np.uint8)).tolist()
    assert shift_register(bits, width=15, polynomial=0x4599) == crc_of(b"123456789", CRCS["can15"]) == 0x059E


def test_a_stuff_bit_may_stand_right_before_the_crc_delimiter() -> None:
    # follows from the stuffing rule (CAN 2.0, 5, from memory): the first 25 such frames with one byte 0x0F
    bits = [with_check(f"0 {identifier:011b} 0 0 0 0001 00001111") for identifier in range(0x7F0)]
    ending = [row for row in bits if len(with_stuff_bits(row)) - len(with_stuff_bits(row[:-1])) == 2]
    assert len(ending) >= 25
    for row in ending[:25]:
        assert row[-5:] in ("00000", "11111") or row[-4:] in ("0000", "1111")  # or after a stuff bit like them
        line = with_stuff_bits(row)
        (frame,) = can_of(line + "1011111111")
        assert (frame["identifier"], frame["data"], frame.errors) == (int(row[1:12], 2), b"\x0f", ())
        assert can_of(line[:-1] + "1011111111")[0].errors, "without that bit it is not a frame"
