from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bitstring import BitArray
from hypothesis import given
from hypothesis import strategies as st

from tests.encoders.impairments import skewed
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.errors import Misuse
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.impairments import jittered
from wavewright.simulation.encoders.spi import SpiLines, spi_lines
from wavewright.waveform import Waveform

WORD = st.integers(0, 2**32 - 1)
NAMES = ("clock", "mosi", "miso", "select")


def drawn(lines: SpiLines, *names: str, samples: float = 20, **impaired: object) -> dict[str, Waveform]:
    return {name: draw(getattr(lines, name), rate=samples * 1e6, **impaired) for name in names or NAMES}


def words(frames: Frames, name: str = "mosi") -> list[int]:
    return [frame[name] for frame in frames]


MODES = [  # common practice, no source: mode, idle level (that of CPOL), edge at which data are read
    (0, 0, "rising"), (1, 0, "falling"), (2, 1, "falling"), (3, 1, "rising"),
]  # fmt: skip


@pytest.mark.parametrize("mode, idle, edge", MODES)
def test_a_mode_reads_at_its_edge_written_by_hand(mode: int, idle: int, edge: str) -> None:
    # given 0x9F with data that are right only around the edge at which this mode reads
    clock, data, select = [idle] * 4, [0] * 4, [1, 1, 0, 0]
    for bit in (1, 0, 0, 1, 1, 1, 1, 1):
        first = 1 - idle
        leading_reads = (edge == "rising") == (first == 1)
        clock += [first, first, idle, idle]
        data += [bit, bit, 1 - bit, 1 - bit] if leading_reads else [1 - bit, 1 - bit, bit, bit]
        select += [0] * 4
    clock, data, select = [*clock, idle, idle], [*data, 0, 0], [*select, 1, 1]
    # the data lead the clock by a sixth of a clock, as setup time
    rows = {"clock": np.repeat(clock, 6), "mosi": np.roll(np.repeat(data, 6), -4), "select": np.repeat(select, 6)}
    waves = {name: Waveform.from_volts(3.3 * row, interval=1e-7) for name, row in rows.items()}
    assert words(decode(waves, "spi", mode=mode)) == [0x9F]


@pytest.mark.parametrize("mode", range(4))
@pytest.mark.parametrize("bit_order", ["msb", "lsb"])
def test_both_directions_are_read_at_the_same_edges(mode: int, bit_order: str) -> None:
    pairs = [(0x9F, 0x12), (0x00, 0xFF), (0x35, 0xA5)]
    frames = decode(drawn(spi_lines([pairs], mode=mode, bit_order=bit_order)), "spi", mode=mode, bit_order=bit_order)
    assert [(frame["mosi"], frame["miso"]) for frame in frames] == pairs
    assert not frames.has_errors.any()


ORDERS = [
    (0x35, 8, "msb", "00110101"),
    (0x35, 8, "lsb", "10101100"),
    (0xA5, 8, "lsb", "10100101"),
    (0xABC, 12, "msb", "101010111100"),
    (0x00012C, 24, "msb", "000000000000000100101100"),
]
ORDER_IDS = [f"{row[0]:X}-{row[2]}" for row in ORDERS]


@pytest.mark.parametrize("value, bits, order, line", ORDERS, ids=ORDER_IDS)
def test_a_word_has_its_bits_in_the_order_of_the_setting(value: int, bits: int, order: str, line: str) -> None:
    text = BitArray(uint=value, length=bits)
    if order == "lsb":
        text.reverse()
    assert text.bin == line  # bitstring 5.0.0
    sent = spi_lines([[(int(line, 2), 0)]], word_bits=bits)
    assert words(decode(drawn(sent), "spi", word_bits=bits, bit_order=order)) == [value]


def test_the_wrong_order_shows_with_9f_and_not_with_a5() -> None:
    frames = decode(drawn(spi_lines([[(0x9F, 0xA5), (0x35, 0)]])), "spi", bit_order="lsb")
    assert [(frame["mosi"], frame["miso"]) for frame in frames] == [(0xF9, 0xA5), (0xAC, 0)]


def test_a_word_cut_off_by_select_is_marked_and_the_next_one_starts_fresh() -> None:
    # common practice, no source
    first = spi_lines([[(0b10110111, 0b01011000)]], clocks=5, lead=1e-6)
    second = spi_lines([[(0x9F, 0x35)]], start=float(first.select.end))
    waves = {}
    for name in NAMES:
        parts = [draw(getattr(lines, name), rate=20e6).values() for lines in (first, second)]
        waves[name] = Waveform.from_volts(np.concatenate(parts), interval=5e-8)
    frames = decode(waves, "spi")
    assert frames[0].fields == {"mosi_bits": "10110", "miso_bits": "01011"}
    assert frames[0].errors == ("incomplete",)
    assert (frames[1]["mosi"], frames[1]["miso"], frames[1].errors) == (0x9F, 0x35, ())


def test_clocks_while_not_selected_are_ignored() -> None:
    waves = drawn(spi_lines([[(0x9F, 0)], [(0x35, 0)]], pause=8e-6))
    codes = waves["clock"].codes.copy()
    codes[240:300:8] = codes.max()  # the pause lasts from sample 180 to 340
    waves["clock"] = Waveform(codes, gain=waves["clock"].gain, offset=waves["clock"].offset, interval=5e-8)
    assert words(decode(waves, "spi")) == [0x9F, 0x35]


def test_without_select_a_pause_or_counting_cuts_the_words() -> None:
    # common practice, no source
    lines = spi_lines([[(0x9F, 0)], [(0x35, 0)], [(0x01, 0)]], pause=10e-6)
    waves = drawn(lines, "clock", "mosi")
    assert words(decode(waves, "spi")) == [0x9F, 0x35, 0x01]
    assert words(decode(waves, "spi", gap=5e-6)) == [0x9F, 0x35, 0x01]
    short = spi_lines([[(0x9F, 0)], [(0x35, 0)]], pause=10e-6)
    late = {name: Waveform(wave.codes[150:], gain=wave.gain, offset=wave.offset, interval=wave.interval)
            for name, wave in drawn(short, "clock", "mosi").items()}  # fmt: skip
    frames = decode(late, "spi", gap=5e-6)
    assert [frame.errors for frame in frames] == [("incomplete", "unsynchronised"), ()]
    assert frames[1]["mosi"] == 0x35
    assert all("gap" in frame.errors or "cut" in frame.errors for frame in decode(late, "spi"))


def test_a_line_that_is_not_driven_is_undefined_and_not_zero() -> None:
    # common practice, no source
    waves = drawn(spi_lines([[(0x9F, 0x35)]]))
    half = Waveform.from_volts(np.full(len(waves["miso"]), 1.65), interval=5e-8)
    (frame,) = decode(waves | {"miso": half}, "spi", levels="lvcmos33")
    assert frame.fields == {"mosi": 0x9F}
    assert frame.errors == ("undefined",)


def test_select_may_be_active_high() -> None:
    lines = spi_lines([[(0x9F, 0)]])
    waves = drawn(lines) | {"select": draw(lines.select.inverted(), rate=20e6)}
    assert words(decode(waves, "spi", select_active="high")) == [0x9F]
    assert len(decode(waves, "spi")) == 0


@given(
    selections=st.lists(st.lists(st.tuples(WORD, WORD), min_size=1, max_size=6), min_size=1, max_size=4),
    word_bits=st.integers(4, 32),
    mode=st.integers(0, 3),
    bit_order=st.sampled_from(["msb", "lsb"]),
    samples=st.floats(8, 30),
    seed=st.integers(0, 999),
)  # fmt: skip
def test_what_is_encoded_and_impaired_is_decoded_again(
    *, selections: list[list[tuple[int, int]]], word_bits: int, mode: int, bit_order: str, samples: float, seed: int
) -> None:
    # given lines with skew, jitter, slow edges and noise
    mask = (1 << word_bits) - 1
    pairs = [[(mosi & mask, miso & mask) for mosi, miso in words] for words in selections]
    generator = np.random.default_rng(seed)
    lines = spi_lines(pairs, word_bits=word_bits, mode=mode, bit_order=bit_order, lead=5e-6, tail=5e-6)
    moved = SpiLines(
        jittered(lines.clock, 10e-9, generator),
        skewed(lines.mosi, 60e-9),
        skewed(lines.miso, -60e-9),
        skewed(lines.select, 30e-9),
    )
    waves = drawn(moved, samples=samples, rise_time=80e-9, noise=0.08, generator=generator)
    frames = decode(waves, "spi", mode=mode, word_bits=word_bits, bit_order=bit_order)
    flat = [pair for words in pairs for pair in words]
    assert [(frame.fields.get("mosi"), frame.fields.get("miso")) for frame in frames] == flat
    assert not frames.has_errors.any(), frames.errors_by_word


@given(
    groups=st.lists(st.lists(WORD, min_size=1, max_size=5), min_size=1, max_size=4),
    word_bits=st.integers(4, 32),
    mode=st.integers(0, 3),
    name=st.sampled_from(["mosi", "miso"]),
    seed=st.integers(0, 999),
)  # fmt: skip
def test_one_line_without_select_comes_back_cut_by_its_pauses(
    *, groups: list[list[int]], word_bits: int, mode: int, name: str, seed: int
) -> None:
    mask = (1 << word_bits) - 1
    words_sent = [[word & mask for word in group] for group in groups]
    pairs = [[(word, word) for word in group] for group in words_sent]
    generator = np.random.default_rng(seed)
    lines = spi_lines(pairs, word_bits=word_bits, mode=mode, pause=8e-6, lead=5e-6, tail=5e-6)
    waves = {
        line: draw(jittered(getattr(lines, line), 10e-9, generator), rate=20e6, rise_time=80e-9, noise=0.08,
                   generator=generator)
        for line in ("clock", name)
    }  # fmt: skip
    frames = decode(waves, "spi", mode=mode, word_bits=word_bits, gap=5e-6)
    assert words(frames, name) == [word for group in words_sent for word in group]
    assert not frames.has_errors.any(), frames.errors_by_word


@pytest.mark.parametrize("mode", range(4))
def test_a_long_pause_after_a_word_makes_no_glitch_of_its_clock(mode: int) -> None:
    waves = drawn(spi_lines([[(0x9F, 0x12)]] * 3, mode=mode, pause=100e-6, lead=5e-6, tail=5e-6))
    frames = decode(waves, "spi", mode=mode)
    assert [(frame["mosi"], frame.errors) for frame in frames] == [(0x9F, ())] * 3


def test_a_selection_that_was_under_way_when_the_record_began_is_marked() -> None:
    waves = drawn(spi_lines([[(0x9F, 0x12), (0x35, 0x77)], [(0x01, 0x02)]], lead=1e-6))
    cut = {name: Waveform(wave.codes[100:], gain=wave.gain, offset=wave.offset, interval=wave.interval)
           for name, wave in waves.items()}  # fmt: skip
    frames = decode(cut, "spi")
    assert [frame.is_clean for frame in frames] == [False, False, True]
    assert frames[2]["mosi"] == 0x01


def test_without_a_cut_words_of_a_clock_that_was_running_already_are_not_certain() -> None:
    # no line says where the first word begins, and counting from the middle of it goes wrong to the end
    waves = drawn(spi_lines([[(0x9F, 0), (0x35, 0), (0x01, 0)]], lead=2e-6), "clock", "mosi")
    assert words(decode(waves, "spi")) == [0x9F, 0x35, 0x01]
    assert not decode(waves, "spi").has_errors.any()
    late = {name: replace(wave, codes=wave.codes[100:]) for name, wave in waves.items()}
    assert all("unsynchronised" in frame.errors for frame in decode(late, "spi"))
    tied = late | {"select": Waveform.from_volts(np.zeros(len(late["clock"])), interval=5e-8)}
    assert all("unsynchronised" in frame.errors for frame in decode(tied, "spi", levels="lvcmos33"))


@pytest.mark.parametrize("options, expected", [({"mode": 4}, "0, 1, 2 or 3"), ({"word_bits": 33}, "4 .. 32")])
def test_settings_that_make_no_sense_are_refused(options: dict[str, int], expected: str) -> None:
    with pytest.raises(Misuse, match=expected):
        decode(drawn(spi_lines([[(1, 2)]])), "spi", **options)
    with pytest.raises(Misuse, match="at least one of them"):
        decode(drawn(spi_lines([[(1, 2)]]), "clock"), "spi")
