from __future__ import annotations

import numpy as np
import pytest

from tests.buses.damaged.senders import can_bits, can_fd_bits
from tests.buses.damaged.wire import Wire
from wavewright.buses.decode import decode
from wavewright.buses.frame import Frame

BIT = 2e-6
IDENTIFIERS = (0x123, 0x100, 0x200)


def sent(*, idle: int = 40, between: str = "") -> tuple[Wire, list[float]]:
    """Three frames with so many bits of idle before each, and where each begins; bits right after the second."""
    line, starts = Wire(), []
    for number, identifier in enumerate(IDENTIFIERS):
        line.hold(1, idle * BIT)
        starts.append(line.now)
        line.send(can_bits(identifier, bytes([number]) * 3, extended=False) + (between if number == 1 else ""), BIT)
    line.hold(1, 20 * BIT)
    return line, starts


def read(line: Wire, *, begin: float = 0.0, samples: float = 25, **options: float) -> list[Frame]:
    wave = line.sampled(begin, line.now, interval=BIT / samples, phase=0.3, generator=np.random.default_rng(1))
    return list(decode({"line": wave}, "can", bit_rate=1 / BIT, levels=(1.3, 2.0), **options))


@pytest.mark.parametrize("before", np.arange(0.3, 11.3, 0.73).round(2))
@pytest.mark.parametrize("lasting", [0.06, 0.2])
def test_a_pulse_that_nobody_reads_before_a_frame_does_not_hide_it(before: float, lasting: float) -> None:
    # ISO 11898-1 (from memory): a controller reads bits at the sample point and sees no pulse that lies between
    line, starts = sent()
    line.upset(starts[1] - before * BIT, lasting * BIT)
    identifiers = [frame["identifier"] for frame in read(line) if frame.is_clean]
    is_read = -before % 1 <= 0.75 <= -before % 1 + lasting
    assert identifiers == list(IDENTIFIERS) or is_read


@pytest.mark.parametrize("begin", [8.4, 5.0, 2.3])
def test_a_record_that_begins_dominant_loses_no_frame_after_idle(begin: float) -> None:
    line, starts = sent()
    frames = read(line, begin=starts[0] + (len(can_bits(0x123, bytes(3), extended=False)) - 8.4) * BIT)
    assert [frame["identifier"] for frame in frames] == [0x100, 0x200]
    low = Wire(0)
    low.hold(0, begin * BIT)
    low.hold(1, 11 * BIT)
    low.send(can_bits(0x100, b"\x01", extended=False) + "1" * 11, BIT)
    assert [(frame["identifier"], frame.errors) for frame in read(low)] == [(0x100, ())]


@pytest.mark.parametrize("pause", ["", "1"])
def test_an_overload_frame_is_told_and_harms_no_other(pause: str) -> None:
    # ISO 11898-1 (from memory): six dominant bits in the first two of the pause, eight recessive after them
    line, _ = sent(idle=12, between=pause + "000000" + "1" * 8)
    frames = read(line)
    assert [frame.kind for frame in frames] == ["data", "data", "overload", "data"]
    assert not any(frame.errors for frame in frames)
    assert frames[2].end - frames[2].start == pytest.approx(14 * BIT, abs=0.2 * BIT)


def test_most_short_pulses_inside_a_frame_leave_it_readable() -> None:
    # ISO 11898-1 (from memory): after a recessive bit only, and by no more than the jump width, is the clock moved
    generator, readable, frames = np.random.default_rng(7), 0, 0
    for _ in range(200):
        line, starts = sent()
        at = starts[1] + float(generator.uniform(1, 60)) * BIT
        line.upset(at, float(generator.uniform(0.05, 0.2)) * BIT)
        found = [frame for frame in read(line) if frame.fields.get("identifier") == 0x100]
        frames += 1
        readable += any(frame.fields.get("data") == b"\x01" * 3 and "crc" not in frame.errors for frame in found)
    assert readable > 0.8 * frames  # the others hit a sample point: one pulse in eight, by its mean length, and more


def test_a_frame_of_can_fd_may_be_destroyed_by_an_error_flag() -> None:
    # ISO 11898-1:2015 (from memory): six dominant bits at the slow rate, and eight recessive after them
    line = Wire()
    line.hold(1, 15 * BIT)
    first, middle, _ = can_fd_bits(0x155, b"\x5a\x33\x0f", fast=True)
    line.send(first[:-1], BIT)
    line.send(first[-1], 0.75 * BIT + 0.25 * BIT / 4)
    line.send(middle[:20], BIT / 4)
    line.send("000000" + "1" * 11, BIT)
    line.send(can_bits(0x100, b"\x01", extended=False) + "1" * 11, BIT)
    frames = read(line, samples=80, data_bit_rate=4 / BIT)
    assert [(frame.kind, frame["identifier"], frame.errors) for frame in frames] == [
        ("error", 0x155, ("error flag",)),
        ("data", 0x100, ()),
    ]
