from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.buses.damaged import senders
from tests.buses.damaged.senders import can_bits, can_fd_bits
from tests.buses.damaged.wire import HIGH, Wire
from wavewright.buses.can import flexible_bits, flexible_rate
from wavewright.buses.can.can import can
from wavewright.buses.can.flexible_runs import DominantPulses, read_undisturbed
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.can import CanMessage, can_line

BIT = 2e-6
LEVELS = (0.4 * HIGH, 0.6 * HIGH)
SIZES = (0, 1, 5, 8, 12, 16, 20, 64)


@contextmanager
def bit_by_bit() -> Iterator[None]:
    """Every frame is left to be read bit by bit."""
    with patch.object(flexible_rate, "read_undisturbed", lambda *_, **__: ()):
        yield


@contextmanager
def counted(starts: list[float]) -> Iterator[None]:
    """When those frames begin that are read bit by bit."""

    exact = flexible_bits.BitByBit.frames

    def told(reader: flexible_bits.BitByBit, begun: Any, *rest: Any, **options: Any) -> Any:
        starts.extend(begun.tolist())
        return exact(reader, begun, *rest, **options)

    with patch.object(flexible_bits.BitByBit, "frames", told):
        yield


def traffic(generator: np.random.Generator, *, ratio: int, answer: str = "0", rate: float = 1.0) -> Wire:
    """CAN FD frames of several kinds, one or two classical ones among them, from a sender that is not ours."""
    line, bit = Wire(), BIT * rate
    line.hold(1, 14 * bit)
    for _ in range(int(generator.integers(2, 5))):
        identifier = int(generator.choice([0, 0x7FF, generator.integers(1 << 11)]))
        data = generator.integers(0, 256, int(generator.choice(SIZES)), dtype=np.uint8).tobytes()
        if generator.random() < 0.2:
            data = bytes(len(data)) if generator.random() < 0.5 else b"\xff" * len(data)
        if generator.random() < 0.2:
            line.send(can_bits(identifier, data[:8], extended=bool(generator.random() < 0.5)), bit)
        else:
            fast = bool(generator.random() < 0.7)
            first, middle, last = can_fd_bits(identifier, data, fast=fast)
            short = bit / ratio if fast else bit
            line.send(first[:-1], bit)
            line.send(first[-1], 0.75 * bit + 0.25 * short)
            line.send(middle, short)
            line.send(last[0], 0.75 * short + 0.25 * bit)
            line.send(answer + last[2:], bit)
        line.hold(1, float(generator.choice([3, 3, 4, 9])) * bit)
    line.hold(1, 12 * bit)
    return line


def jittered(line: Wire, by: float, generator: np.random.Generator) -> Wire:
    moved = Wire(line.first)
    turns = np.array(line.turns) + np.clip(generator.normal(0, by, len(line.turns)), -3 * by, 3 * by)
    moved.turns, moved.now = turns.tolist(), line.now
    return moved


def told(frames: Frames) -> list[Any]:
    """All that can be seen of frames, to the last digit, and in which order."""
    return [repr(list(frames)), repr(frames.facts), list(frames.columns), frames.kinds.words]


DAMAGES = ("none", "jitter", "clock", "glitch", "begin", "end", "noise", "silent", "join")


@settings(max_examples=40)
@given(
    seed=st.integers(0, 10**6),
    damage=st.sampled_from(DAMAGES),
    ratio=st.sampled_from([1, 2, 4, 8]),
    samples=st.floats(5, 20),
    point=st.sampled_from([0.75, 0.75, 0.8, 0.5]),
)
def test_both_ways_of_reading_say_the_same(seed: int, damage: str, ratio: int, samples: float, point: float) -> None:
    generator = np.random.default_rng(seed)
    rate = float(generator.uniform(0.99, 1.01)) if damage == "clock" else 1.0
    line = traffic(generator, ratio=ratio, answer="01"[damage == "silent"], rate=rate)
    begin, end, short = 0.0, line.now, BIT / ratio
    if damage in ("jitter", "noise"):
        line = jittered(line, float(generator.uniform(0, 0.12)) * short, generator)
    if damage in ("glitch", "join"):
        for _ in range(int(generator.integers(1, 3))):
            at = float(generator.choice(line.turns)) if damage == "join" else float(generator.uniform(0, end))
            line.upset(at, float(generator.uniform(0.05, 1.5)) * short)
    if damage in ("begin", "end"):
        cut = float(generator.uniform(0, end))
        begin, end = (0.7 * cut, end) if damage == "begin" else (0.0, max(cut, 20 * BIT))
    wave = line.sampled(
        begin, end, interval=short / samples, phase=float(generator.random()), generator=generator
    )  # fmt: skip
    if damage == "noise":
        noisy = np.where(generator.random(len(wave)) < 0.002, -wave.codes, wave.codes)
        wave = replace(wave, codes=noisy.astype(np.int8))
    if generator.random() < 0.3:
        wave = replace(wave, start=float(generator.choice([-1.0, 17.0, 1e5])))
    options = {"bit_rate": 1 / BIT, "data_bit_rate": ratio / BIT, "sample_point": point, "data_sample_point": point}
    quick = decode({"line": wave}, "can", levels=LEVELS, **options)
    with bit_by_bit():
        exact = decode({"line": wave}, "can", levels=LEVELS, **options)
    assert told(quick) == told(exact)


@pytest.mark.parametrize("answer", ["0", "1"])
@pytest.mark.parametrize("ratio", [1, 2, 4])
def test_no_frame_that_nothing_disturbs_is_read_bit_by_bit(ratio: int, answer: str) -> None:
    generator = np.random.default_rng(ratio)
    slow: list[float] = []
    flexible = 0
    for _ in range(5):
        line = jittered(traffic(generator, ratio=ratio, answer=answer), 0.03 * BIT / ratio, generator)
        wave = line.sampled(0.0, line.now, interval=BIT / ratio / 10, phase=0.3, generator=generator)
        with counted(slow):
            frames = decode({"line": wave}, "can", levels=LEVELS, bit_rate=1 / BIT, data_bit_rate=ratio / BIT)
        flexible += int(frames.of_kind("flexible data").sum())
        assert {word for frame in frames for word in frame.errors} <= {"not acknowledged"}
    assert slow == []
    assert flexible > 5


def test_only_the_frame_that_is_hurt_is_read_bit_by_bit() -> None:
    sent = [CanMessage(0x100 + number, b"go there", flexible=True, fast=True) for number in range(5)]
    whole = can_line(sent, data_bit_rate=2e6)
    starts = can(whole, bit_rate=5e5, data_bit_rate=2e6).starts
    hurt = starts[2] + 60 * BIT / 2
    times = np.sort(np.append(whole.times, [hurt, hurt + 0.4e-6]))
    slow: list[float] = []
    with counted(slow):
        frames = can(replace(whole, instants=times), bit_rate=5e5, data_bit_rate=2e6)
    assert set(slow) == {float(starts[2])}
    assert [bool(frame.errors) for frame in frames] == [False, False, True, False, False]


def sent_alone(first: str, middle: str, last: str, *, fast: bool) -> Line:
    """A line that carries the bits of one frame, given as they are at the slow, the fast and the slow rate again."""
    line, short = Wire(), BIT / 2 if fast else BIT
    lasting = [BIT] * len(first) + [short] * len(middle) + [BIT] * len(last)
    lasting[len(first) - 1] = 0.75 * BIT + 0.25 * short
    lasting[len(first) + len(middle)] = 0.75 * short + 0.25 * BIT
    line.hold(1, 14 * BIT)
    for sign, each in zip(first + middle + last, lasting, strict=True):
        line.hold(int(sign), each)
    line.hold(1, 16 * BIT)
    return Line(True, np.array(line.turns), 0.0, line.now)


def read_both_ways(line: Line, *, fast: bool = True) -> Frames:
    rates = {"bit_rate": 1 / BIT, "data_bit_rate": (2 if fast else 1) / BIT}
    quick = can(line, **rates)
    with bit_by_bit():
        assert told(quick) == told(can(line, **rates))
    return quick


@pytest.mark.parametrize("fast", [True, False])
def test_of_a_frame_with_any_one_bit_turned_over_both_ways_say_the_same(fast: bool) -> None:
    sections = can_fd_bits(0x1A5, b"\x00\x3f", fast=fast)
    assert not read_both_ways(sent_alone(*sections, fast=fast), fast=fast).has_errors.any()
    for number, section in enumerate(sections):
        for place, sign in enumerate(section):
            turned = list(sections)
            turned[number] = section[:place] + "10"[int(sign)] + section[place + 1 :]
            frames = read_both_ways(sent_alone(*turned, fast=fast), fast=fast)
            assert not any(frame.is_clean for frame in frames), (number, place)


@pytest.mark.parametrize("delimiter, answer", ["10", "11", "00", "01"])
def test_whatever_follows_the_check_both_ways_say_the_same(delimiter: str, answer: str) -> None:
    first, middle, _ = can_fd_bits(0x1A5, b"\x3f", fast=True)
    for place in range(9):  # of the rest one bit is dominant, or none
        rest = "".join("10"[number == place] for number in range(8))
        (frame,) = list(read_both_ways(sent_alone(first, middle, delimiter + answer + rest, fast=True)))[:1]
        assert frame.is_clean == (delimiter + answer == "10" and place == 8)


@pytest.mark.parametrize("miscounted", range(1, 16))
def test_a_number_of_stuff_bits_that_was_sent_wrong_is_told(miscounted: int) -> None:
    sections = can_fd_bits(0x1A5, b"\x00\x3f", fast=True, miscounted=miscounted)
    (frame,) = read_both_ways(sent_alone(*sections, fast=True))
    assert frame.errors == ("stuff count",)


@pytest.mark.parametrize("data", [b"\x00\x55", b"\x55\x40"])
def test_a_sender_that_leaves_out_stuff_bits_and_checks_that_is_found(data: bytes) -> None:
    with patch.object(senders, "with_stuff_bits", lambda bits: bits):  # six zeros in the data, or at their end
        sections = can_fd_bits(0x155, data, fast=True)
    assert "stuff" in read_both_ways(sent_alone(*sections, fast=True))[0].errors


@pytest.mark.parametrize("by", [-1, 0, 1])
def test_an_edge_on_a_sample_point_is_left_to_be_read_bit_by_bit(by: int) -> None:
    # a dominant bit of the identifier that lasts until just where the next one is read: rounding would decide
    whole = can_line([CanMessage(0x2AA, b"\x55", flexible=True, fast=True)] * 2, data_bit_rate=2e6)
    starts = can(whole, bit_rate=5e5, data_bit_rate=2e6).starts
    times = whole.times.copy()
    edge = int(np.searchsorted(times, starts[0])) + 1  # from dominant to recessive, after the first two bits
    times[edge] = starts[0] + 2.75 * BIT + by * np.spacing(starts[0] + BIT)
    slow = list[float]()
    with counted(slow):
        can(replace(whole, instants=times), bit_rate=5e5, data_bit_rate=2e6)
    assert float(starts[0]) in slow
    assert float(starts[1]) not in slow


def test_a_frame_that_does_not_begin_at_an_edge_is_left_to_be_read_bit_by_bit() -> None:
    line = sent_alone(*can_fd_bits(0x1A5, b"\x3f", fast=True), fast=True)
    for moved, found in ((0.0, 1), (1e-9, 0), (-1e-9, 0)):
        starts = line.falling[:1] + moved
        read = read_undisturbed(DominantPulses.of(line), starts, times=(BIT, BIT / 2), points=(0.75, 0.75))
        assert sum(len(frames) for _, frames in read) == found


def test_fields_and_words_come_in_the_order_of_their_first_use() -> None:
    # as in a list of frames that were made one by one
    mixed = [CanMessage(1, b"a", flexible=True), CanMessage(2, b"b"), CanMessage(3, b"c", flexible=True)]
    classical_first = [mixed[1], mixed[0], mixed[2]]
    for messages in (mixed, classical_first):
        frames = can(can_line(messages), bit_rate=5e5)
        again = Frames.of(list(frames), facts=frames.facts)
        assert list(frames.columns) == list(again.columns)
        assert frames.kinds.words == again.kinds.words
        assert told(frames) == told(again)
