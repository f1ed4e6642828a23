from __future__ import annotations

import numpy as np
import pytest

from tests.buses.damaged.senders import character
from tests.buses.damaged.wire import Wire
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames

BIT = 1 / 19200
PROTECTED = 0x50  # of identifier 0x10


def checksum(data: bytes, *, enhanced: bool) -> int:
    """LIN 2.1, 2.8.3 (from memory): the sum with carry, inverted; with the protected identifier where enhanced."""
    total = sum(data) + PROTECTED * enhanced
    return 255 - (total % 255 or (255 if total else 0))


def sent(*frames: bytes, enhanced: bool = True, idle: float = 30) -> tuple[Wire, list[float]]:
    line, starts = Wire(), []
    line.hold(1, 20 * BIT)
    for data in frames:
        starts.append(line.now)
        line.hold(0, 13 * BIT)
        line.hold(1, BIT)
        for value in (0x55, PROTECTED, *data, checksum(data, enhanced=enhanced)):
            line.send(character(value, 8, "none", 1), BIT)
        line.hold(1, idle * BIT)
    return line, starts


def read(line: Wire, *, end: float | None = None, **options: object) -> Frames:
    until = line.now if end is None else end
    wave = line.sampled(0.0, until, interval=BIT / 20, phase=0.3, generator=np.random.default_rng(1))
    return decode({"line": wave}, "lin", baud=19200, levels=(1.3, 2.0), **options)


@pytest.mark.parametrize("at", [0.7, 3.0, 6.2, 9.5, 11.7, 12.4])
@pytest.mark.parametrize("which", [0, 1])
def test_a_spike_inside_a_break_hides_no_frame_and_harms_no_other(at: float, which: int) -> None:
    line, starts = sent(b"\x01\x02", b"\x03\x04")
    line.upset(starts[which] + at * BIT, 0.1 * BIT)
    frames = read(line)
    assert [frame["data"] for frame in frames] == [b"\x01\x02", b"\x03\x04"]
    assert [frame.errors for frame in frames] == [("glitch",) if row == which else () for row in range(2)]


@pytest.mark.parametrize("low", [0.5, 3.0, 7.0, 9.6, 10.1, 12.0])
def test_a_record_that_ends_in_the_next_break_leaves_the_frame_before_it_whole(low: float) -> None:
    line, starts = sent(b"\x01\x02", b"\x03\x04", b"\x05\x06")
    frames = read(line, end=starts[2] + low * BIT)
    assert [(frame["data"], frame.errors) for frame in frames[:2]] == [(b"\x01\x02", ()), (b"\x03\x04", ())]


def test_a_frame_that_the_record_ends_in_is_cut_though_its_checksum_fits_by_chance() -> None:
    data = b"\x01\x02"
    part = data + bytes([checksum(data, enhanced=True)])
    line, starts = sent(part + b"\x07")
    frames = read(line, end=starts[0] + (14 + 10 * 5 + 3) * BIT)
    assert "cut" in frames[0].errors


def test_an_identifier_keeps_the_model_of_its_checksum() -> None:
    # what fits the other model only has been damaged
    line, _ = sent(b"\x01\x02", b"\x03\x04", b"\x05\x06")
    other, _ = sent(b"\x07\x08", enhanced=False)
    line.send("1" * 10, BIT)
    shift = line.now
    line.turns += [shift + turn for turn in other.turns]
    line.now, line.level = shift + other.now, 1
    frames = read(line)
    assert [frame.errors for frame in frames] == [(), (), (), ("checksum",)]
    assert [frame.fields.get("model") for frame in frames] == ["enhanced"] * 3 + [None]
