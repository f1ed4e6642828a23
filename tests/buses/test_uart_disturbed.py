from __future__ import annotations

import numpy as np
import pytest

from tests.buses.damaged.senders import character
from tests.buses.damaged.wire import Wire
from wavewright.buses.decode import decode
from wavewright.buses.frame_metrics import measure_frames
from wavewright.buses.frames import Frames

BIT = 1 / 9600


def sent(data: bytes, *, rate: float = 1.0, lead: float = 20, stops: str = "1") -> Wire:
    """Characters back to back on a line whose clock is off."""
    tx = Wire()
    tx.hold(1, lead * BIT)
    for value in data:
        tx.send(character(value, 8, "none", 0) + stops, BIT / rate)
    tx.hold(1, 20 * BIT)
    return tx


def read(tx: Wire, *, samples: float, begin: float = 0.0, phase: float = 0.3, **options: object) -> Frames:
    wave = tx.sampled(begin, tx.now, interval=BIT / samples, phase=phase, generator=np.random.default_rng(1))
    return decode({"tx": wave}, "uart", baud=9600, levels=(1.3, 2.0), **options)


@pytest.mark.parametrize("samples", [4, 5, 6, 8])
@pytest.mark.parametrize("rate", [0.96, 0.97, 1.03, 1.04])
def test_few_samples_a_bit_and_a_clock_that_is_off_are_read_by_the_measured_rate(samples: float, rate: float) -> None:
    for value in range(0, 256, 7):
        for phase in (0.0, 0.4, 0.8):
            frames = read(sent(bytes([0, value, 26, value]), rate=rate), samples=samples, phase=phase)
            clean = [frame["data"] for frame in frames if frame.is_clean]
            assert set(clean) <= {0, value, 26}
            assert len(clean) >= 3 or (samples == 4 and rate > 1.03)  # or marked


@pytest.mark.parametrize("at", [0.1, 0.3, 0.42, 0.47, 0.6, 0.8])
@pytest.mark.parametrize("rate", [0.98, 1.0, 1.02])
def test_a_spike_inside_a_start_bit_does_not_move_it_in_silence(at: float, rate: float) -> None:
    # common practice, no source: the level for most of a start bit makes one
    for value in range(0, 256, 5):
        tx = sent(bytes([0x55, value, 0x55]), rate=rate)
        start = 20 * BIT + 10 * BIT / rate
        tx.upset(start + at * BIT, 0.05 * BIT)
        frames = read(tx, samples=50)
        assert [frame["data"] for frame in frames] == [0x55, value, 0x55]
        assert "glitch" in frames[1].errors
        if at > 0.05:
            assert frames[1].start == pytest.approx(start, abs=0.1 * BIT)


@pytest.mark.parametrize("begin", [1.2, 1.68, 3.4, 7.3, 9.1])
def test_a_record_that_begins_in_traffic_is_certain_of_nothing_until_a_pause(begin: float) -> None:
    tx = sent(b"\xe7\x1c\x55\xaa", lead=0)
    tx.hold(1, 12 * BIT)
    tx.send(character(0xA5, 8, "none", 1), BIT)
    tx.hold(1, 12 * BIT)
    frames = read(tx, samples=20, begin=begin * BIT)
    assert all("unsynchronised" in frame.errors or frame["data"] in (0xE7, 0x1C, 0x55, 0xAA, 0xA5) for frame in frames)
    assert (frames[-1]["data"], frames[-1].errors) == (0xA5, ())
    assert "unsynchronised" in frames[0].errors


@pytest.mark.parametrize("rate", [0.99, 1.0, 1.01])
def test_characters_back_to_back_have_no_pause_between_them(rate: float) -> None:
    frames = read(sent(b"U" * 30, rate=rate), samples=20)
    assert measure_frames(frames, "frame_gap").value == pytest.approx(0, abs=0.06 * BIT)
    assert measure_frames(frames, "shortest_frame_gap").value >= 0
    busy = measure_frames(read(sent(b"U" * 3000, rate=rate, lead=10), samples=8), "bus_load").value
    assert busy is not None
    assert 0.995 < busy <= 1


def test_a_missing_half_stop_bit_is_a_framing_error() -> None:
    frames = read(sent(b"AB"), samples=20, stop_bits=1.5)
    assert [frame.errors for frame in frames] == [("framing",), ()]
    assert read(sent(b"AB", stops="11"), samples=20, stop_bits=1.5)[0].errors == ()


def test_hardly_two_samples_a_bit_are_undersampled() -> None:
    assert all("undersampled" in frame.errors for frame in read(sent(b"UUUU"), samples=2.3))


@pytest.mark.parametrize("parity, bits", [("none", 10), ("even", 11), ("odd", 11)])
@pytest.mark.parametrize("inside", [False, True])
def test_a_burst_is_read_from_its_first_character_and_never_wrongly_in_silence(
    parity: str, bits: int, inside: bool
) -> None:
    # a record that was triggered by the first start bit has hardly any idle before it; one that was triggered within
    # a character looks the same: only that no other start bit brings whole characters tells them apart
    random = np.random.default_rng(5)
    clean = told = 0
    for _ in range(120):
        tx, starts = Wire(), []
        tx.hold(1, 0.1 * BIT)
        data = random.integers(0, 256, int(random.integers(5, 20))).tolist()
        for value in data:
            starts.append(tx.now)
            tx.send(character(value, 8, parity, 1), BIT)
        tx.hold(1, 3 * BIT)
        begin = float(random.uniform(0.2, bits)) * BIT if inside else 0.0
        for frame in read(tx, samples=16, begin=begin, parity=parity):
            told += 1
            if frame.is_clean:
                clean += 1
                sent_there = int(np.argmin([abs(frame.start - start) for start in starts]))
                assert frame.start == pytest.approx(starts[sent_there], abs=0.3 * BIT)
                assert frame["data"] == data[sent_there]
    assert clean > 0.8 * told


@pytest.mark.parametrize("begin", [0.0, 14.3])
def test_a_message_with_the_right_check_shows_where_its_characters_begin(begin: float) -> None:
    # 11 03 00 6B 00 03 and its CRC-16: Modbus application protocol V1.1b3, 6.3, the request, with address 17
    tx = Wire()
    tx.hold(1, 0.05 * BIT)
    for value in bytes.fromhex("11 03 00 6B 00 03 76 87"):
        tx.send(character(value, 8, "even", 1), BIT)
    tx.hold(1, 60 * BIT)
    wave = tx.sampled(begin * BIT, tx.now, interval=BIT / 16, phase=0.3, generator=np.random.default_rng(1))
    (message,) = decode({"tx": wave}, "uart", baud=9600, parity="even", levels=(1.3, 2.0), then="modbus_rtu")
    assert message.is_clean == (begin == 0.0)
