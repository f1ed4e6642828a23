from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.buses.wires import bits_of
from tests.encoders.clocked import clocked_lines, i2s_bits
from tests.encoders.impairments import skewed, spiked
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.buses.i2c.i2c import i2c
from wavewright.buses.line.logic import Line, line_of
from wavewright.buses.line.logic_levels import LogicLevels
from wavewright.buses.spi.spi import spi
from wavewright.errors import Misuse
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import Transfer, i2c_lines
from wavewright.simulation.encoders.impairments import jittered
from wavewright.waveform import Waveform

RATE = 20.0
SAMPLE = st.integers(-(2**15), 2**15 - 1)
WS = "0000000000000000 1111111111111111"


def i2s_of(select: list[int], data: list[int], **options: object) -> Frames:
    clock, (ws, sd) = clocked_lines([select, data], bit_rate=1.0)
    waves = {"clock": draw(clock, rate=RATE), "word_select": draw(ws, rate=RATE), "data": draw(sd, rate=RATE)}
    return decode(waves, "i2s", levels="lvcmos33", **options)


def test_word_select_changes_one_clock_before_the_most_significant_bit() -> None:
    # I2S bus specification (rules as printed): left 0x8001, right 0x7FFE, repeated
    data = "0100000000000000 1011111111111111"
    frames = i2s_of([1, 1, *bits_of(WS * 2), 0, 0], [0, 0, *bits_of(data * 2), 0, 0])
    assert [(frame.kind, frame["sample"] & 0xFFFF) for frame in frames[:4]] == [
        ("left", 0x8001), ("right", 0x7FFE), ("left", 0x8001), ("right", 0x7FFE),
    ]  # fmt: skip
    assert frames[0]["sample"] == 0x8001 - 0x10000


def test_left_justified_words_begin_with_the_change() -> None:
    # common practice, no source
    data = "1000000000000001 0111111111111110"
    frames = i2s_of([1, 1, *bits_of(WS), 1 - 1], [0, 0, *bits_of(data), 0], alignment="left", left_is="low")
    assert [(frame.kind, frame["sample"] & 0xFFFF) for frame in frames[:2]] == [("left", 0x8001), ("right", 0x7FFE)]
    swapped = i2s_of([1, 1, *bits_of(WS), 0], [0, 0, *bits_of(data), 0], alignment="left")
    assert [frame.kind for frame in swapped][:2] == ["right", "left"]


def test_surplus_bits_are_dropped_and_missing_ones_are_zero() -> None:
    # I2S bus specification
    select, data = i2s_bits([(0x1234, -0x1234)], word_bits=16)
    assert [frame["sample"] for frame in i2s_of(select, data, word_bits=12)[:2]] == [0x123, -0x124]
    left, right = i2s_of(select, data, word_bits=20)[:2]
    assert left["sample"] == 0x12340
    assert ("sample" in right.fields, right.errors) == (False, ("cut",))  # its last bits may come after the record


@given(
    samples=st.lists(st.tuples(SAMPLE, SAMPLE), min_size=1, max_size=9),
    alignment=st.sampled_from(["i2s", "left"]),
    skew=st.floats(-0.3, 0.3),
)  # fmt: skip
def test_samples_come_back_through_skewed_lines(samples: list[tuple[int, int]], alignment: str, skew: float) -> None:
    clock, (ws, sd) = clocked_lines(list(i2s_bits(samples, alignment=alignment)), bit_rate=1.0)
    waves = {
        "clock": draw(clock, rate=RATE, rise_time=0.1),
        "word_select": draw(skewed(ws, skew), rate=RATE, rise_time=0.1),
        "data": draw(skewed(sd, -skew), rate=RATE, rise_time=0.1),
    }
    frames = decode(waves, "i2s", alignment=alignment, levels="lvcmos33")
    assert [frame["sample"] for frame in frames if frame.is_clean] == [sample for pair in samples for sample in pair]


def test_a_word_that_the_record_cuts_off_is_marked() -> None:
    select, data = i2s_bits([(1, 2)])
    frames = i2s_of(select[:-6], data[:-6])
    assert [frame.errors for frame in frames] == [(), ("cut",)]


@pytest.mark.parametrize("edge", ["rising", "falling", "either"])
def test_a_parallel_bus_is_read_at_its_clock(edge: str) -> None:
    words = np.random.default_rng(3).integers(0, 16, 50)
    rows = [((words >> place) & 1).tolist() for place in range(4)]
    clock, lines = clocked_lines(rows, bit_rate=1.0)
    if edge == "falling":
        clock = clock.inverted()
    waves = {"clock": draw(clock, rate=RATE)} | {f"d{k}": draw(line, rate=RATE) for k, line in enumerate(lines)}
    frames = decode(waves, "parallel", edge=edge)
    read = [frame["data"] for frame in frames]
    if edge == "either":
        assert read[::2] == words.tolist()
    else:
        assert read == words.tolist()


def test_a_parallel_line_between_the_levels_is_undefined() -> None:
    clock, (line,) = clocked_lines([[1, 0, 1]], bit_rate=1.0)
    half = Waveform.from_volts(np.full(60, 1.4), interval=1 / RATE)
    frames = decode(
        {"clock": draw(clock, rate=RATE), "d0": draw(line, rate=RATE), "d3": half}, "parallel", levels="ttl"
    )
    assert all(frame.errors == ("undefined",) and "data" not in frame.fields for frame in frames)
    with pytest.raises(Misuse, match="at least one"):
        decode({"clock": draw(clock, rate=RATE)}, "parallel")


@given(
    words=st.lists(st.integers(0, 2**16 - 1), min_size=2, max_size=60),
    width=st.integers(1, 16),
    edge=st.sampled_from(["rising", "falling"]),
    skew=st.floats(-0.2, 0.2),
    seed=st.integers(0, 999),
)
def test_parallel_words_come_back_through_poor_lines(
    *, words: list[int], width: int, edge: str, skew: float, seed: int
) -> None:
    # given lines with skew against the clock, jitter, slow edges and noise
    words = [word & ((1 << width) - 1) for word in words]
    generator = np.random.default_rng(seed)
    clock, lines = clocked_lines([[word >> place & 1 for word in words] for place in range(width)], bit_rate=1.0)
    clock = jittered(clock.inverted() if edge == "falling" else clock, 0.02, generator)
    poor = {"rise_time": 0.15, "noise": 0.1, "generator": generator}
    waves = {"clock": draw(clock, rate=RATE, **poor)}
    for place, line in enumerate(lines):
        moved = jittered(skewed(line, skew * (-1) ** place), 0.02, generator)
        waves[f"d{place}"] = draw(moved, rate=RATE, **poor)
    frames = decode(waves, "parallel", edge=edge, levels="lvcmos33")
    assert [frame["data"] for frame in frames] == words
    assert not frames.has_errors.any()


def test_a_word_beside_a_spike_on_the_clock_is_marked() -> None:
    clock, (line,) = clocked_lines([[1, 0, 1, 1, 0, 1]], bit_rate=1.0)
    waves = {"clock": draw(spiked(clock, 2.2, 0.06), rate=50), "d0": draw(line, rate=50)}
    frames = decode(waves, "parallel", levels="lvcmos33")
    assert len(frames) == 7
    assert [frame.errors for frame in frames].count(("glitch",)) == 2  # nobody knows which of both is the spike
    few = decode({"clock": draw(clock, rate=3), "d0": draw(line, rate=3)}, "parallel", levels="lvcmos33")
    assert all("undersampled" in frame.errors for frame in few)


@given(
    samples=st.lists(st.tuples(SAMPLE, SAMPLE), min_size=1, max_size=6),
    alignment=st.sampled_from(["i2s", "left"]),
    seed=st.integers(0, 999),
)  # fmt: skip
def test_samples_come_back_through_noise_and_jitter(samples: list[tuple[int, int]], alignment: str, seed: int) -> None:
    generator = np.random.default_rng(seed)
    clock, rows = clocked_lines(list(i2s_bits(samples, alignment=alignment)), bit_rate=1.0)
    lines = dict(zip(("clock", "word_select", "data"), (clock, *rows), strict=True))
    poor = {"rise_time": 0.15, "noise": 0.1, "generator": generator}
    waves = {name: draw(jittered(line, 0.02, generator), rate=RATE, **poor) for name, line in lines.items()}
    frames = decode(waves, "i2s", alignment=alignment, levels="lvcmos33")
    assert [frame["sample"] for frame in frames if frame.is_clean] == [sample for pair in samples for sample in pair]


@pytest.mark.parametrize("bus", ["i2c", "spi"])
@pytest.mark.parametrize("seed", range(6))
def test_disturbed_lines_say_the_same_whether_all_instants_are_known_or_found_when_asked_for(
    bus: str, seed: int
) -> None:
    generator = np.random.default_rng(seed)
    bits = generator.integers(0, 2, (2, 300)).tolist()
    clock, data = clocked_lines(bits, bit_rate=1.0)
    lines: list[Line] = [clock, *data]
    if bus == "i2c":
        sent = [Transfer(generator.integers(0, 128, 4, dtype=np.uint8).tobytes()) for _ in range(5)]
        lines = list(i2c_lines(sent, bit_rate=1.0, idle=2.0, lead=2.0))
    drawn = [draw(line, rate=9.0, rise_time=0.2, noise=0.02, generator=generator) for line in lines]
    for number, wave in enumerate(drawn):
        codes = wave.codes.copy()
        for place in generator.integers(0, len(wave) - 4, 8 * (seed % 3)).tolist():
            codes[place : place + int(generator.integers(1, 4))] = codes.min()  # a dip of some samples
        drawn[number] = replace(wave, codes=codes)
    found = [line_of(wave, LogicLevels(0.8, 2.0)) for wave in drawn]
    # without the states of the samples, and with every instant, each look goes another way
    known = [replace(line, instants=line.times, states=None) for line in found]
    decoder = i2c if bus == "i2c" else partial(spi, mode=seed % 4, gap=4.0 if seed % 2 else None)
    said, expected = decoder(*found), decoder(*known)
    assert len(said)
    assert list(said) == list(expected)
    assert said.facts == expected.facts
