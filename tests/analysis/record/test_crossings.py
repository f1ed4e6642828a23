from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.record import crossings as module
from wavewright.analysis.record.crossings import Band, find_crossings
from wavewright.analysis.record.survey import Survey
from wavewright.waveform import Waveform


def crossings_sample_by_sample(codes: list[float], lower: float, level: float, upper: float) -> tuple[list, list]:
    """The definition, word by word: the reference that the fast way is compared with."""
    up: list[float] = []
    down: list[float] = []
    outside = [(k, 1 if c > upper else -1) for k, c in enumerate(codes) if c > upper or c < lower]
    for (begin, side), (end, other) in itertools.pairwise(outside):
        if side == other:
            continue
        touches = []
        for k in range(begin, end):
            before, after = codes[k] - level, codes[k + 1] - level
            if before != after and min(before, after) <= 0 <= max(before, after):
                touches.append(k + before / (before - after))
        (up if other > 0 else down).append((touches[0] + touches[-1]) / 2)
    return up, down


@given(
    codes=st.lists(st.integers(-6, 6), min_size=0, max_size=60),
    level=st.sampled_from([-2.0, -0.5, 0.0, 1.25, 3.0]),
    half=st.sampled_from([0.0, 0.5, 1.0, 2.5]),
    dtype=st.sampled_from([np.int8, np.int16, np.float32, np.float64]),
    sizes=st.sampled_from([(8, 2), (16, 1), (1 << 17, 1 << 17)]),
)
def test_crossings_are_those_that_the_definition_gives(codes, level, half, dtype, sizes) -> None:
    band = Band.of(level - half, level, level + half, np.dtype(dtype))
    with pytest.MonkeyPatch.context() as small:  # pieces end after a few samples
        small.setattr(module, "FLAGS_BLOCK", sizes[0])
        small.setattr(module, "MOST_CHANGES", sizes[1])
        up, down = find_crossings(np.array(codes, dtype=dtype), band)
    expected_up, expected_down = crossings_sample_by_sample(codes, level - half, level, level + half)
    assert up == pytest.approx(expected_up)
    assert down == pytest.approx(expected_down)


def test_a_crossing_lies_on_the_straight_line_between_two_samples() -> None:
    # IEEE 181-2011, reference level instant (from memory, not verified)
    wave = Waveform.from_volts([0.0, 0.0, 4.0, 4.0, 0.0], interval=1e-3, start=5e-3)
    found = Survey(wave).crossings(1.0)
    assert found.rising == pytest.approx([6.25e-3])
    assert found.falling == pytest.approx([8.75e-3])


def test_a_noisy_slow_edge_gives_one_crossing() -> None:
    random = np.random.default_rng(7)
    edge = np.clip(np.linspace(-1.0, 2.0, 3001), 0.0, 1.0) + 0.01 * random.standard_normal(3001)
    assert np.count_nonzero(np.diff(edge > 0.5)) > 5  # without hysteresis there are many
    found = Survey(Waveform.from_volts(edge, interval=1.0)).crossings(0.5)
    assert (found.rising.size, found.falling.size) == (1, 0)
    assert found.rising[0] == pytest.approx(1500, abs=15)


def test_a_waveform_that_only_touches_a_level_does_not_cross_it() -> None:
    found = Survey(Waveform.from_volts([0.0, 1.0, 0.0, 2.0, 0.0], interval=1.0)).crossings(1.0, hysteresis=0.0)
    assert found.rising == pytest.approx([2.5])
    assert found.falling == pytest.approx([3.5])


def test_a_stay_at_the_level_is_crossed_in_its_middle() -> None:
    found = Survey(Waveform.from_volts([0.0, 1.0, 1.0, 1.0, 2.0], interval=1.0)).crossings(1.0)
    assert found.rising == pytest.approx([2.0])


@pytest.mark.parametrize("gain", [0.5, -0.5])
def test_rising_means_rising_in_volts_whatever_the_sign_of_the_gain(gain: float) -> None:
    codes = np.array([0, 0, 10, 10, 0], dtype=np.int8)
    found = Survey(Waveform(codes if gain > 0 else -codes, gain=gain, interval=1.0)).crossings(2.5)
    assert found.rising == pytest.approx([1.5])


@given(st.lists(st.integers(-9, 9), min_size=2, max_size=50), st.sampled_from([-1.5, 0.0, 2.0]))
def test_read_backwards_rising_becomes_falling_at_the_same_places(codes: list[int], level: float) -> None:
    wave = Waveform.from_volts(codes, interval=1.0)
    mirrored = Waveform.from_volts(codes[::-1], interval=1.0)
    forward = Survey(wave).crossings(level, hysteresis=2.0)
    backward = Survey(mirrored).crossings(level, hysteresis=2.0)
    assert len(codes) - 1 - backward.falling[::-1] == pytest.approx(forward.rising)


@given(st.lists(st.integers(-9, 9), min_size=2, max_size=50), st.sampled_from([-1.5, 0.0, 2.0]))
def test_inverted_rising_becomes_falling_at_the_same_times(codes: list[int], level: float) -> None:
    upright = Survey(Waveform(np.array(codes, dtype=np.int8), interval=1.0)).crossings(level, hysteresis=1.0)
    inverted = Survey(Waveform(np.array(codes, dtype=np.int8), gain=-1.0, interval=1.0)).crossings(
        -level, hysteresis=1.0
    )
    assert inverted.falling == pytest.approx(upright.rising)
    assert inverted.rising == pytest.approx(upright.falling)


def test_a_line_goes_straight_across_samples_that_are_not_valid() -> None:
    volts = [0.0, 0.0, math.nan, math.nan, 3.0, 3.0, math.inf, 0.0]
    found = Survey(Waveform.from_volts(volts, interval=1.0)).crossings(1.0)
    assert found.rising == pytest.approx([2.0])
    assert found.falling == pytest.approx([5 + 2 * 2 / 3])


@pytest.mark.parametrize(
    "ratio, bound", [(0.5, 0.031142), (0.2, 0.004997), (0.1, 0.0012498), (0.05, 0.00031249), (0.02, 0.0000499997)]
)
def test_an_exponential_edge_is_crossed_late_by_no_more_than_the_chord_bound(ratio: float, bound: float) -> None:
    # math: chord bound interval² · largest curvature / (8 · slope) = ratio² / 8, in time constants
    worst = 0.0
    for phase in np.linspace(0.0, 1.0, 100, endpoint=False):
        times = (np.arange(-20, 400) + phase) * ratio
        wave = Waveform.from_volts(1 - np.exp(-np.clip(times, 0, None)), interval=ratio, start=float(times[0]))
        late = Survey(wave).crossings(0.5).rising[0] - math.log(2)
        assert -1e-12 < late <= ratio**2 / 8
        worst = max(worst, late)
    assert worst <= bound * (1 + 1e-4)
    assert worst >= 0.7 * bound  # among 100 phases one comes near the worst one


@pytest.mark.parametrize(
    "samples, bound", [(5, 0.027526), (10, 0.0064592), (20, 0.0015907), (50, 2.5345e-4), (100, 6.3326e-5)]
)
def test_a_sine_crosses_zero_within_the_error_of_the_straight_line(samples: int, bound: float) -> None:
    # math: leading term (2π/r)²·√3/108 intervals at r samples per cycle
    for phase in np.linspace(0.0, 1.0, 50, endpoint=False):
        places = np.arange(20 * samples) + phase
        found = Survey(Waveform.from_volts(np.sin(2 * np.pi * places / samples), interval=1.0)).crossings(0.0)
        error = (found.rising + phase) / samples - np.round((found.rising + phase) / samples)
        assert np.abs(error * samples).max() <= bound * (1 + 1e-3)


@pytest.mark.parametrize("fraction", [0.0, 0.25, 0.5])
def test_noise_moves_a_crossing_by_the_first_order_formula(fraction: float) -> None:
    # math, first order: σ/m · √((1 − a)² + a²) at the fraction a between two samples
    random = np.random.default_rng(146)
    sigma, slope, edges = 0.01, 1.0, 10_000
    rise = np.clip(np.arange(-10, 11) - fraction, -5, 5) * slope
    volts = np.tile(np.concatenate([rise, rise[::-1]]), edges) + sigma * random.standard_normal(42 * edges)
    found = Survey(Waveform.from_volts(volts, interval=1.0)).crossings(0.0, hysteresis=0.2)
    assert found.rising.size == edges
    jitter = np.std(found.rising - 42 * np.arange(edges) - 10 - fraction, ddof=1)
    expected = sigma / slope * math.hypot(1 - fraction, fraction)
    # at a sample the crossing lies on either of two lines, each of which has the noise of that sample
    assert jitter == pytest.approx(expected, rel=0.03)
