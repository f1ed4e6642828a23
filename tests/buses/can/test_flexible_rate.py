from __future__ import annotations

import re

import crccheck
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.buses.can.flexible_format import GRAY, LENGTHS
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.buses.line.checksums import CRCS
from wavewright.errors import NotMeasurable
from wavewright.quantities import read_quantity
from wavewright.simulation.encoders.can import CanMessage, can_line, flexible_frame
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.impairments import jittered


def said(*messages: CanMessage, samples: float = 20) -> Frames:
    line = can_line(messages, data_bit_rate=2e6)
    return decode({"line": draw(line, rate=samples * 2e6)}, "can", bit_rate=5e5, data_bit_rate=2e6)


def test_the_polynomials_are_the_published_ones() -> None:
    # CAN in Automation's page on CRC; ISO 11898-1:2015. Written out by their exponents
    assert CRCS["canfd17"].polynomial == sum(1 << place for place in (16, 14, 13, 11, 6, 4, 3, 1, 0))
    assert CRCS["canfd21"].polynomial == sum(1 << place for place in (20, 13, 11, 7, 4, 3, 0))
    assert crccheck.crc.Crc17CanFd.calc(b"123456789") == 0x04F03  # start value 0


def test_length_codes_above_eight_are_steps() -> None:
    # ISO 11898-1 (from memory)
    assert LENGTHS == (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)


def test_neighbouring_numbers_of_stuff_bits_differ_in_one_bit_of_gray_code() -> None:
    # definition of a Gray code; the mapping itself from memory of ISO 11898-1:2015
    assert sorted(GRAY) == list(range(8))
    assert all(bin(a ^ b).count("1") == 1 for a, b in zip(GRAY, (*GRAY[1:], GRAY[0]), strict=True))


@pytest.mark.parametrize("count", LENGTHS)
@pytest.mark.parametrize("fast", [False, True])
@pytest.mark.parametrize("extended", [False, True])
def test_every_length_is_read(count: int, fast: bool, extended: bool) -> None:
    message = CanMessage(0x1234567 if extended else 0x123, bytes(range(count)), extended, flexible=True, fast=fast)
    (frame,) = said(message)
    assert (frame.kind, frame["data"], frame["length"]) == ("flexible data", message.data, LENGTHS.index(count))
    assert (frame["identifier"], frame["extended"], frame["fast"]) == (message.identifier, extended, fast)
    assert (frame["acknowledged"], frame["error_passive"], frame.errors) == (True, False, ())


def test_frames_of_both_kinds_on_one_bus() -> None:
    messages = [
        CanMessage(0x100, b"old"),
        CanMessage(0x101, b"new one!", flexible=True, fast=True),
        CanMessage(0x102, b"x"),
    ]
    frames = said(*messages)
    assert [frame.kind for frame in frames] == ["data", "flexible data", "data"]
    assert [frame["data"] for frame in frames] == [message.data for message in messages]
    assert not frames.has_errors.any()


@pytest.mark.parametrize("ratio", [2, 4, 8])
def test_auto_is_refused_where_frames_switch_to_a_faster_data_phase(ratio: int) -> None:
    fast = CanMessage(0x101, b"new one!", flexible=True, fast=True)
    drawn = draw(can_line([fast, fast], data_bit_rate=ratio * 5e5), rate=20 * ratio * 5e5)
    with pytest.raises(NotMeasurable, match="switch to a faster data phase") as refused:
        decode({"line": drawn}, "can")
    told = re.search(r"about ([\d.]+ kbit/s) and ([\d.]+ [kM]bit/s)", refused.value.do)
    assert told is not None
    rates = [read_quantity(text, unit="bit/s").value for text in told.groups()]
    assert rates == pytest.approx([5e5, ratio * 5e5], rel=0.01)
    same = draw(can_line([CanMessage(0x101, b"new one!", flexible=True)] * 2), rate=1e7)
    assert [frame.errors for frame in decode({"line": same}, "can")] == [(), ()]


def test_a_flipped_data_bit_is_a_crc_error_and_no_answer_is_told() -> None:
    flipped = CanMessage(0x123, b"\x53\x53", flexible=True, fast=True, flipped=(25,))
    assert "crc" in said(flipped)[0].errors
    assert said(CanMessage(0x123, b"ab", flexible=True, acknowledged=False))[0].errors == ("not acknowledged",)


def test_fixed_stuff_bits_stand_before_the_count_and_after_every_fourth_bit() -> None:
    # ISO 11898-1:2015 (from memory): 27 bits of CRC field up to 16 bytes, 32 above
    for count, bits in ((16, 27), (20, 32)):
        line, switch, delimiter = flexible_frame(CanMessage(0x155, b"\x55" * count, flexible=True))
        field = line[delimiter - bits : delimiter]
        before = line[delimiter - bits - 1]
        assert field[0] == 1 - before
        assert all(field[place] == 1 - field[place - 1] for place in range(5, bits, 5))
        assert switch == 16


@given(
    messages=st.lists(
        st.builds(
            lambda number, extended, fast, data: CanMessage(
                number if extended else number & 0x7FF, data, extended, flexible=True, fast=fast
            ),
            st.integers(0, 2**29 - 1),
            st.booleans(),
            st.booleans(),
            st.sampled_from(LENGTHS).flatmap(lambda size: st.binary(min_size=size, max_size=size)),
        ),
        min_size=1,
        max_size=3,
    ),
    samples=st.floats(10, 20),
    seed=st.integers(0, 999),
)
def test_what_is_encoded_and_impaired_is_decoded_again(messages: list[CanMessage], samples: float, seed: int) -> None:
    generator = np.random.default_rng(seed)
    line = jittered(can_line(messages, data_bit_rate=2e6), 8e-9, generator)
    tx = draw(line, rate=samples * 2e6, rise_time=80e-9, noise=0.08, generator=generator)
    frames = decode({"line": tx}, "can", bit_rate=5e5, data_bit_rate=2e6)
    assert [(f["identifier"], f["data"], f["fast"]) for f in frames] == [
        (m.identifier, m.data, m.fast) for m in messages
    ]
    assert not frames.has_errors.any()
