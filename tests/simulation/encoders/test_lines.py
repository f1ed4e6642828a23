from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.encoders.impairments import asymmetric, cropped, joined, skewed, spiked
from tests.encoders.sent import bits_of_text, break_line, text_bytes
from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.bits import bits_of_word, line_of_bits, line_of_changes
from wavewright.simulation.encoders.drawing import corners, draw, voltage_at
from wavewright.simulation.encoders.impairments import jittered, off_rate
from wavewright.simulation.encoders.uart import uart_line

BITS = st.lists(st.integers(0, 1), min_size=1, max_size=60)


@given(BITS, st.floats(1e-9, 10.0), st.floats(-5, 5))
def test_a_line_of_bits_has_each_bit_in_its_place(bits: list[int], bit_time: float, start: float) -> None:
    line = line_of_bits(bits, bit_time=bit_time, start=start, lead=bit_time, tail=bit_time)
    middles = start + bit_time * (np.arange(len(bits)) + 0.5)
    assert line.is_high(middles).astype(int).tolist() == bits
    assert line.is_high_along(middles).astype(int).tolist() == bits
    assert (np.diff(line.times) > 0).all()
    assert line.end - line.start == pytest.approx((len(bits) + 2) * bit_time)


def test_bits_are_written_as_text_or_numbers() -> None:
    assert bits_of_text("0 1|01 ") == [0, 1, 0, 1]
    assert bits_of_word(0x35, 8) == bits_of_text("00110101")
    assert bits_of_word(0x35, 8, order="lsb") == bits_of_text("10101100")


def test_setting_a_line_to_what_it_is_changes_nothing() -> None:
    line = line_of_changes([(0.0, True), (1.0, False), (2.0, False), (3.0, True)], first=True, start=-1, end=4)
    assert line.times.tolist() == [1.0, 3.0]


@given(BITS, st.floats(0, 2), st.integers(0, 1000))
def test_jitter_lets_no_edge_overtake_another(bits: list[int], deviation: float, seed: int) -> None:
    line = line_of_bits(bits, bit_time=1.0, lead=1.0, tail=1.0)
    moved = jittered(line, deviation, np.random.default_rng(seed))
    assert moved.times.size == line.times.size
    assert (np.diff(moved.times) > 0).all()
    assert np.array_equal(moved.times, jittered(line, deviation, np.random.default_rng(seed)).times)


def test_jitter_has_the_deviation_that_was_asked_for() -> None:
    line = line_of_bits([0, 1] * 5000, bit_time=1.0)
    moved = jittered(line, 0.02, np.random.default_rng(1)).times - line.times
    assert moved.std() == pytest.approx(0.02, rel=0.05)  # 1 / sqrt(2 · 10⁴), with a margin


def test_skew_moves_all_edges_and_keeps_the_level_where_edges_leave_the_record() -> None:
    line = line_of_bits([0, 1, 0, 0, 1], bit_time=1.0)
    assert skewed(line, 0.25).times == pytest.approx(line.times + 0.25)
    early = skewed(line, -1.5)
    assert early.first is True
    assert early.times == pytest.approx([0.5, 2.5])
    assert skewed(line, 1.5).times == pytest.approx([2.5, 3.5])


def test_a_fast_clock_shortens_everything() -> None:
    line = off_rate(uart_line(b"U", baud=1.0), 0.25)
    assert np.diff(line.times) == pytest.approx(0.8)
    assert line.end - line.start == pytest.approx(8.0)


def test_rising_and_falling_edges_can_be_late_by_different_delays() -> None:
    line = asymmetric(line_of_bits([1, 0, 1, 0], bit_time=1.0), rise=0.1, fall=0.3)
    assert line.times == pytest.approx([1.3, 2.1, 3.3])


@given(BITS, st.floats(0.0, 20.0), st.floats(0.1, 20.0))
def test_a_cropped_line_is_the_line_where_both_are(bits: list[int], start: float, length: float) -> None:
    line = line_of_bits(bits, bit_time=1.0)
    part = cropped(line, start, start + length)
    instants = np.linspace(start, start + length, 37)[1:-1]
    assert np.array_equal(part.is_high(instants), line.is_high(instants))


def test_lines_are_joined_and_a_difference_of_level_is_an_edge() -> None:
    first = line_of_bits([1, 0], bit_time=1.0)
    second = line_of_bits([1, 0], bit_time=1.0, start=2.0)
    both = joined(first, second)
    assert both.times.tolist() == [1.0, 2.0, 3.0]
    assert (both.start, both.end) == (0.0, 4.0)


def test_a_spike_is_a_pulse_of_the_other_level() -> None:
    line = spiked(Line(True, np.array([5.0]), 0.0, 9.0), 2.0, 0.5)
    assert line.times.tolist() == [2.0, 2.5, 5.0]
    assert not line.is_high(2.2)


def test_an_edge_lasts_its_rise_time_and_passes_the_middle_at_the_change() -> None:
    # closed form: a straight line about the change
    line = line_of_bits([0, 1, 0], bit_time=1.0)
    times, volts = corners(line, low=1.0, high=3.0, rise_time=0.2, fall_time=0.4)
    assert times.tolist() == pytest.approx([0.0, 0.9, 1.1, 1.8, 2.2, 3.0])
    assert volts.tolist() == pytest.approx([1, 1, 3, 3, 1, 1])
    assert voltage_at(np.array([1.0, 1.05, 2.0, 2.1]), line, low=1.0, high=3.0, rise_time=0.2, fall_time=0.4) == (
        pytest.approx([2.0, 2.5, 2.0, 1.5])
    )


def test_an_edge_that_the_next_one_overtakes_turns_back_where_they_meet() -> None:
    # closed form: slopes of ±1 V/s through 1.65 V at 1 and at 2 s meet at 1.5 s
    line = line_of_bits([0, 1, 0], bit_time=1.0)
    times, volts = corners(line, low=0.0, high=3.3, rise_time=3.3)
    assert (np.diff(times) >= 0).all()
    assert volts.max() == pytest.approx(1.65 + 0.5)


@given(BITS, st.floats(0.0, 5.0))
def test_corners_never_run_backwards_or_beyond_the_levels(bits: list[int], rise_time: float) -> None:
    times, volts = corners(line_of_bits(bits, bit_time=1.0, lead=9, tail=9), rise_time=rise_time)
    assert (np.diff(times) >= -1e-12).all()
    assert volts.min() >= -1e-9
    assert volts.max() <= 3.3 + 1e-9


def test_a_drawn_record_has_the_levels_noise_and_codes_of_a_converter() -> None:
    line = line_of_bits([0] * 500 + [1] * 500, bit_time=1.0)
    wave = draw(line, rate=10.0, noise=0.05, generator=np.random.default_rng(1))
    values = wave.values()
    assert (wave.codes.dtype, wave.code_range) == (np.dtype(np.int8), (-128, 127))
    assert values[:4999].mean() == pytest.approx(0.0, abs=0.01)
    assert values[5001:].mean() == pytest.approx(3.3, abs=0.01)
    assert values[:4999].std() == pytest.approx(np.hypot(0.05, wave.gain / np.sqrt(12)), rel=0.05)
    assert draw(line, rate=10.0, bits=12).codes.dtype == np.int16
    assert draw(line, rate=10.0, bits=None).codes.dtype == np.float64
    assert draw(line, rate=10.0, phase=0.5).start == pytest.approx(0.05)
    same = draw(line, rate=10.0, noise=0.05, generator=np.random.default_rng(1))
    assert np.array_equal(wave.codes, same.codes)


def test_a_break_is_low_for_its_time() -> None:
    line = break_line(duration=2.0, start=1.0, lead=1.0, tail=1.0)
    assert (line.first, line.times.tolist(), line.start, line.end) == (True, [1.0, 3.0], 0.0, 4.0)
    assert text_bytes("OK", b"\r", [10]) == b"OK\r\n"
