from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.record.crossings import Band, find_crossings
from wavewright.analysis.record.edge_index import SPARSE, EdgeIndex, outlines
from wavewright.analysis.record.histogram import histogram_of
from wavewright.analysis.record.shared_codes import SHORT
from wavewright.analysis.record.survey import Survey
from wavewright.waveform import Waveform


def sparse_record(seed: int) -> np.ndarray:
    """Some pulses, slow and fast, runts among them, on a noisy line of 20 000 samples."""
    random = np.random.default_rng(seed)
    corners, heights, place = [0], [0.0], 0
    while place < 19_000:
        place += int(random.integers(20, 1500))
        width, edge, height = random.integers(1, 400), random.integers(1, 60), random.choice([40, 100, 100, 120])
        corners += [place, place + edge, place + edge + width, place + 2 * edge + width]
        heights += [0, height, height, 0]
        place = corners[-1]
    line = np.interp(np.arange(20_000), corners, heights) + random.normal(0, random.choice([0, 1, 3]), 20_000)
    return np.clip(line.round() - 50, -128, 127).astype(np.int8)


@given(
    seed=st.integers(0, 10_000),
    level=st.integers(-60, 70) | st.sampled_from([-30.25, 0.75, 40.25]),
    half=st.sampled_from([0.0, 3.0, 8.0]),
    dtype=st.sampled_from([np.int8, np.int16, np.float32]),
    is_counted=st.booleans(),
)
@settings(max_examples=120)
def test_the_outline_gives_the_crossings_of_the_whole_record(seed, level, half, dtype, is_counted) -> None:
    codes = sparse_record(seed).astype(dtype)
    counted = histogram_of(codes) if is_counted and dtype is not np.float32 else None
    band = Band(level - half, level, level + half)
    expected = find_crossings(codes, band)
    for outline in outlines(codes, 0.5, counted):
        if outline.holds(level):
            found = outline.crossings(band, level_occurs=True)
            assert found[0] == pytest.approx(expected[0])
            assert found[1] == pytest.approx(expected[1])
            # and whole edges to the bit where the comparator finds them, which rounds as the outline does
            with pytest.MonkeyPatch.context() as plain:
                plain.setattr(EdgeIndex, "_all_leave", lambda *_: False)
                for one, other in zip(found, outline.crossings(band, level_occurs=True), strict=True):
                    assert np.array_equal(one, other)


@pytest.mark.parametrize("is_counted", [True, False])
def test_a_pulse_that_ends_just_after_a_segment_is_in_no_rest_that_counts_as_one_state(is_counted: bool) -> None:
    codes = np.zeros(40_000, dtype=np.int8)
    for first in range(500, 39_000, 2500):
        codes[first : first + 20] = 100  # the segment around its beginning ends before it
    counted = histogram_of(codes) if is_counted else None
    close, wide = outlines(codes, 49.5, counted)
    assert not close.holds(50)
    up, down = wide.crossings(Band(42, 50, 58), level_occurs=False)
    assert up == pytest.approx(np.arange(499.5, 39_000, 2500))
    assert down == pytest.approx(np.arange(519.5, 39_000, 2500))


@pytest.mark.parametrize("stray", [0, 57, 984, 1015, 15_500, 39_999])
def test_a_level_that_one_sample_of_a_rest_is_at_is_not_held(stray: int) -> None:
    codes = np.where(np.arange(40_000) % 2000 < 1000, -80, 90).astype(np.int8)
    assert all(outline.holds(30) for outline in outlines(codes, 0.5, histogram_of(codes)))
    codes[stray] = 30 if codes[stray] > 0 else -30
    assert not any(outline.holds(codes[stray]) for outline in outlines(codes, 0.5, histogram_of(codes)))
    assert all(outline.holds(5) for outline in outlines(codes, 0.5, histogram_of(codes)))


def test_outlines_hold_the_reference_levels_of_a_clean_line_and_are_small() -> None:
    codes = np.interp(np.arange(200_000) % 3000, [0, 10, 1000, 1010, 3000], [0, 100, 100, 0, 0]).astype(np.int8)
    close, wide = outlines(codes, 49.5)
    assert close.codes.size < wide.codes.size <= codes.size / SPARSE
    assert all(close.holds(level) for level in (10, 30, 50, 70, 90))
    assert not close.holds(100)  # the line stays there


@pytest.mark.parametrize(
    "codes", [np.zeros(50_000), np.arange(50_000) % 8, np.zeros(10)], ids=["flat", "dense", "short"]
)
def test_there_is_no_outline_of_a_record_without_few_transitions(codes: np.ndarray) -> None:
    assert outlines(codes.astype(np.int8), 3.5) == ()


@pytest.mark.parametrize("dtype", [np.int8, np.int16, np.float32, np.float64])
def test_a_survey_with_and_without_outlines_finds_the_same(dtype: type) -> None:
    codes = sparse_record(3).astype(dtype)
    assert codes.size > SHORT
    wave = Waveform(codes, gain=-0.02, offset=1.0, interval=1e-6)
    with_outlines, without = Survey(wave), Survey(wave)
    without.record.shared._outlines = ()
    for share in (0.1, 0.2, 0.5, 0.77, 0.9):
        level = with_outlines.levels.low + share * with_outlines.levels.amplitude
        found, expected = with_outlines.crossings(level), without.crossings(level)
        assert found.rising == pytest.approx(expected.rising)
        assert found.falling == pytest.approx(expected.falling)
    assert with_outlines.record.shared._outlines


def test_a_record_that_is_every_other_sample_of_another_has_the_same_outline() -> None:
    codes = sparse_record(5)
    apart = np.repeat(codes, 2)[::2]
    assert not apart.flags.c_contiguous
    for one, other in zip(outlines(codes, 0.5), outlines(apart, 0.5), strict=True):
        assert np.array_equal(one.codes, other.codes)
