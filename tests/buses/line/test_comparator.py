"""The comparator with two thresholds, against a loop that looks at one sample after the other."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from wavewright.analysis.record.blocks import FLAGS_BLOCK, WORDS_BLOCK
from wavewright.buses.line.comparator import changes
from wavewright.buses.line.logic import Line, line_of
from wavewright.buses.line.logic_levels import LogicLevels
from wavewright.waveform import Waveform


def looped(wave: Waveform, low: float, high: float) -> tuple[bool, list[float], list[bool]]:
    """First state, places of the changes, and the state after each sample."""
    values = (wave.offset + wave.gain * wave.codes.astype(float)).tolist()
    reached = [True if value >= high else False if value <= low else None for value in values]
    first = state = next((each for each in reached if each is not None), True)
    places, states = [], []
    for index, new in enumerate(reached):
        if new is not None and new != state:
            before, after, threshold = values[index - 1], values[index], high if new else low
            back = (after - threshold) / (after - before) if np.isfinite(after - before) else 0.0
            places.append(index - back)
            state = new
        states.append(state)
    return first, places, states


def assert_same(wave: Waveform, low: float, high: float) -> None:
    found = changes(wave, low, high)
    first, places, states = looped(wave, low, high)
    assert found.first == first
    assert found.times == pytest.approx(np.array(places), rel=1e-12, abs=1e-9)
    held = np.unpackbits(found.states.view(np.uint8), bitorder="little")[: len(wave)]
    assert held.tolist() == states


RUNS = st.lists(st.tuples(st.integers(-3, 3), st.integers(1, 150)), min_size=1, max_size=12)


@given(RUNS, st.sampled_from([(-1.0, 1.0), (0.0, 0.0), (-2.5, 2.5), (-9.0, 0.5), (0.5, 9.0)]), st.sampled_from([1, -1]))
def test_integer_codes_change_state_as_in_a_loop(
    runs: list[tuple[int, int]], levels: tuple[float, float], gain: int
) -> None:
    codes = np.repeat(np.array([code for code, _ in runs], dtype=np.int8), [count for _, count in runs])
    assert_same(Waveform(codes, interval=1.0, gain=float(gain), name="line"), *levels)


@given(arrays(np.float64, st.integers(1, 400), elements=st.sampled_from([-2.0, -0.5, 0.0, 0.25, 2.0, np.nan])))
def test_float_codes_with_invalid_samples_change_state_as_in_a_loop(values: npt.NDArray[Any]) -> None:
    assert_same(Waveform(values, interval=1.0, name="line"), -1.0, 1.0)


@pytest.mark.parametrize("kind", [np.int8, np.uint16, np.int32, np.float32])
@pytest.mark.parametrize("dwell", [1, 64, 5000])
def test_records_of_several_blocks_change_state_as_in_a_loop(kind: type, dwell: int) -> None:
    size = FLAGS_BLOCK + 12_345
    random = np.random.default_rng(dwell).integers(0, 100, size // dwell + 1)
    assert_same(Waveform(np.repeat(random, dwell)[:size].astype(kind), interval=1.0, name="line"), 20.0, 80.0)


@pytest.mark.parametrize("last", [0, 100])
def test_a_state_that_is_reached_only_in_a_later_block_holds_from_the_beginning(last: int) -> None:
    codes = np.full(2 * FLAGS_BLOCK + 100, 50, dtype=np.int8)
    codes[-50:] = last
    assert_same(Waveform(codes, interval=1.0, name="line"), 20.0, 80.0)


def test_a_line_that_reaches_neither_threshold_never_changes_and_is_high() -> None:
    assert_same(Waveform(np.full(1000, 50, dtype=np.int8), interval=1.0, name="line"), 20.0, 80.0)


@given(
    arrays(np.int8, st.integers(2, 300), elements=st.sampled_from([-5, 0, 1, 5])),
    st.lists(st.floats(-10.0, 310.0), min_size=1, max_size=50),
    st.booleans(),
)
def test_the_state_along_ascending_instants_is_that_at_each(
    codes: npt.NDArray[Any], instants: list[float], is_inverted: bool
) -> None:
    line = line_of(Waveform(codes, interval=1.0, name="line"), LogicLevels(-2.0, 2.0))
    line = line.inverted() if is_inverted else line
    ascending = np.sort([*instants, *line.times.tolist()])
    assert line.is_high_along(ascending).tolist() == line.is_high(ascending).tolist()


def test_the_state_along_many_instants_is_that_at_each() -> None:
    codes = np.repeat(np.random.default_rng(3).choice([-100, 0, 100], 60_000), 3).astype(np.int8)
    line = line_of(Waveform(codes, interval=1e-6, start=-0.05, name="line"), LogicLevels(-60.0, 60.0))
    bare = Line(line.first, line.times, line.start, line.end)
    ascending = np.sort(np.random.default_rng(4).uniform(-0.051, 0.135, 100_000))
    assert np.array_equal(line.is_high_along(ascending), line.is_high(ascending))
    assert np.array_equal(bare.is_high_along(ascending), line.is_high(ascending))


@given(
    arrays(np.int8, st.integers(2, 300), elements=st.sampled_from([-5, 0, 5])),
    st.integers(0, 2**32 - 1),
    st.sampled_from([1, 7, 40]),
    st.booleans(),
)
def test_changes_while_another_line_is_high_are_those_at_which_it_is(
    codes: npt.NDArray[Any], seed: int, dwell: int, is_inverted: bool
) -> None:
    others = np.repeat(np.random.default_rng(seed).choice([-5, 0, 5], codes.size), dwell)[: codes.size].astype(np.int8)
    levels = LogicLevels(-2.0, 2.0)
    line, other = (line_of(Waveform(each, interval=1.0, name="line"), levels) for each in (codes, others))
    other = other.inverted() if is_inverted else other
    expected = np.flatnonzero(other.is_high(line.times))
    to_high = (expected % 2 == 1) == line.first
    for each in (other, replace(other, states=None)):
        times, rises, before = line.changes_while_high(each)
        assert times.tolist() == line.times[expected].tolist()
        assert rises.tolist() == to_high.tolist()
        assert before.tolist() == [int((other.times <= time).sum()) for time in times]


@pytest.mark.parametrize("edge", [70, 63, 64, 128, 64 * WORDS_BLOCK - 1, 64 * WORDS_BLOCK])
@pytest.mark.parametrize("rising", [True, False])
def test_a_line_is_still_where_it_does_not_change_within_a_sample_of_an_edge(edge: int, rising: bool) -> None:
    def stepping(place: int, *, up: bool) -> Line:
        codes = np.full(64 * WORDS_BLOCK + 200, 5 if up else -5, dtype=np.int8)
        codes[:place] = -codes[0]
        return line_of(Waveform(codes, interval=1.0, name="line"), LogicLevels(-2.0, 2.0))

    clock = stepping(edge, up=rising)
    for off in range(-3, 4):
        line = stepping(edge + off, up=True)
        assert line.is_still_at(clock, rising=rising) == (abs(off) > 1), off
        assert line.is_still_at(clock, rising=not rising)  # it has no such edge
        assert clock.is_surely_apart(1.0)


@given(arrays(np.int8, st.integers(200, 600), elements=st.sampled_from([-5, 0, 5])), st.integers(0, 2**32 - 1))
def test_the_state_at_edges_where_the_line_is_still_is_that_at_each(codes: npt.NDArray[Any], seed: int) -> None:
    clock = np.repeat(np.random.default_rng(seed).choice([-5, 5], codes.size // 4), 4).astype(np.int8)
    shifted = np.repeat(codes[: clock.size // 4], 4)[: clock.size - 2]
    waves = Waveform(np.concatenate([[5, 5], shifted]).astype(np.int8), interval=0.1), Waveform(clock, interval=0.1)
    line, other = (line_of(wave, LogicLevels(-2.0, 2.0)) for wave in waves)
    assert line.is_still_at(other, rising=True)
    assert line.is_high_along(other.rising, is_still=True).tolist() == line.is_high(other.rising).tolist()


def test_nobody_is_told_to_be_still_where_instants_are_rounded() -> None:
    codes = np.repeat(np.array([-5, 5] * 20, dtype=np.int8), 10)
    line, other = (
        line_of(Waveform(np.roll(codes, by), interval=1.0, start=start), LogicLevels(-2.0, 2.0))
        for by, start in ((5, 2.0**41), (0, 2.0**41))
    )
    assert not line.is_still_at(other, rising=True)
    assert not other.is_surely_apart(1.0)


@given(
    arrays(np.int8, st.integers(2, 700), elements=st.integers(-100, 100)),
    st.sampled_from([1, 3, 20]),
    st.floats(0.0, 70.0),
)
def test_changes_that_are_told_to_be_apart_are(codes: npt.NDArray[Any], dwell: int, time: float) -> None:
    found = changes(Waveform(np.repeat(codes, dwell), interval=1e-6, name="line"), -2.0, 2.0)
    closest = float(np.diff(found.times).min(initial=np.inf))
    assert not (found.is_surely_apart(1e-6 * time) and closest < 1e-6 * time)
    assert not found.is_surely_apart(1.000001 * closest)
    assert found.is_surely_apart(1e-6 * time) or closest < 1e-6 * (time + 2.01) or time > 60.0


def test_changes_across_blocks_of_words_are_not_told_to_be_apart() -> None:
    codes = np.full(64 * WORDS_BLOCK + 100, -5, dtype=np.int8)
    codes[64 * WORDS_BLOCK - 1 :][:3] = 5  # up with the last sample of a block, down in the next
    found = changes(Waveform(codes, interval=1.0, name="line"), -2.0, 2.0)
    assert np.diff(found.times) == pytest.approx([3.0])  # a straight line meets both thresholds 0.3 of a sample before
    assert not found.is_surely_apart(2.5)
    assert found.is_surely_apart(1.9)


@given(arrays(np.int8, st.integers(2, 300), elements=st.integers(-5, 5)), st.booleans())
def test_instants_of_some_changes_are_those_among_all(codes: npt.NDArray[Any], is_falling: bool) -> None:
    wave = Waveform(codes, interval=1e-7, start=-3e-6, gain=-1.0 if is_falling else 1.0, name="line")
    found = changes(wave, -2.0, 2.5)
    samples = np.flatnonzero(
        np.diff(np.unpackbits(found.states.view(np.uint8), bitorder="little"), prepend=found.first)
    )
    to_high = (np.arange(samples.size) % 2 == 0) != found.first
    some = np.arange(samples.size)[::-3]  # in any order
    assert found.times_at(samples[some], to_high[some]).tolist() == found.times[some].tolist()
    assert found.count == found.times.size == samples.size
