"""Density and rare paths: exact counts, nothing lost, the one odd shot found."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.statistics.density import Density
from wavewright.analysis.statistics.rare_paths import REMEMBERED, RarePath
from wavewright.errors import Misuse
from wavewright.waveform import Waveform

RANGE = (-128, 127)


def drive(seed: int, *, glitch_at: int | None = None, samples: int = 1000) -> Waveform:
    """A noisy valve drive of 5 periods; a glitch is 12 samples within a high state."""
    rng = np.random.default_rng(seed)
    codes = np.where(np.arange(samples) % 200 < 100, 80, -80) + rng.normal(0, 2, samples).round()
    if glitch_at is not None:
        codes[glitch_at : glitch_at + 12] = [60, 40, 20, 0, -15, -30, -30, -15, 0, 20, 40, 60]
    return Waveform(codes.astype(np.int8), gain=0.05, offset=1.0, interval=1e-6, start=-1e-4, code_range=RANGE)


def direct_counts(density: Density, waves: list[Waveform]) -> np.ndarray:
    """The same picture by NumPy 2.4.6 `histogram2d` on values and times."""
    total = np.zeros((density.rows, density.columns), dtype=np.int64)
    for wave in waves:
        times = wave.start + wave.interval * np.arange(len(wave))
        bins = (density.rows, density.columns)
        total += np.histogram2d(wave.values(), times, bins=bins, range=(density.levels, density.window))[0].astype(int)
    return total


@pytest.mark.parametrize("kind", [np.int8, np.int16, np.int32, np.float32, np.float64])
def test_counts_are_those_of_a_two_dimensional_histogram(kind: type) -> None:
    # borders between cells lie between codes and between samples, so that rounding cannot decide
    density = Density(columns=50, rows=37, window=(-1.005e-4, 8.995e-4), levels=(-4.01234, 6.14321))
    waves = [drive(seed) for seed in range(8)]
    for shot, wave in enumerate(waves):
        density.add(shot, replace(wave, codes=wave.codes.astype(kind)))
    np.testing.assert_array_equal(density.counts, direct_counts(density, waves))
    assert density.counts.sum() == density.samples == 8000


def test_unsigned_and_swapped_codes_are_placed_by_their_values() -> None:
    wave = drive(1)
    density = Density.of(wave, columns=20, rows=64)
    density.add(0, wave)
    shifted = replace(wave, codes=(wave.codes.astype(np.int16) + 128).astype(np.uint8), offset=wave.value_of(-128))
    swapped = replace(wave, codes=wave.codes.astype(">i2"))
    for other in (shifted, swapped):
        again = Density(columns=20, rows=64, window=density.window, levels=density.levels)
        again.add(0, other)
        np.testing.assert_array_equal(again.counts, density.counts)


@given(
    codes=st.lists(st.integers(-128, 127), max_size=60),
    window=st.tuples(st.integers(-20, 60), st.integers(1, 60)),
    levels=st.tuples(st.floats(-200, 150), st.floats(0.5, 300)),
    cells=st.tuples(st.integers(1, 40), st.integers(1, 40)),
    invalid=st.integers(0, 3),
)
def test_no_sample_is_lost(codes, window, levels, cells, invalid) -> None:
    values = np.array(codes, dtype=np.float64)
    values[: min(invalid, values.size)] = np.nan
    density = Density(
        columns=cells[0],
        rows=cells[1],
        window=(window[0], window[0] + window[1]),
        levels=(levels[0], levels[0] + levels[1]),
    )
    density.add(0, Waveform.from_volts(values, interval=1.0, start=5.0))
    density.add(1, Waveform.from_volts(values, interval=0.5, start=-3.0))
    assert density.counts.sum() + density.left_out.total == density.samples == 2 * len(codes)


@given(gain=st.floats(1e-6, 1e3), offset=st.floats(-1e3, 1e3), seconds=st.floats(1e-9, 1e3))
def test_the_picture_does_not_depend_on_the_scales(gain: float, offset: float, seconds: float) -> None:
    wave = drive(3)
    moved = replace(wave, gain=gain, offset=offset, interval=seconds, start=0.0)
    plain = Density.of(wave, columns=40, rows=64)
    scaled = Density.of(moved, columns=40, rows=64)
    plain.add(0, wave)
    scaled.add(0, moved)
    np.testing.assert_array_equal(plain.counts, scaled.counts)


def test_the_last_column_and_the_highest_row_hold_their_outer_edges() -> None:
    density = Density(columns=2, rows=2, window=(0.0, 2.0), levels=(0.0, 1.0))
    density.add(0, Waveform.from_volts([0.0, 0.5, 1.0], interval=1.0))
    assert density.counts.tolist() == [[1, 0], [0, 2]]


def test_samples_outside_are_counted_where_they_are() -> None:
    density = Density(columns=4, rows=4, window=(0.0, 4.0), levels=(0.0, 1.0))
    density.add(0, Waveform.from_volts([0.5, -1, 2, 2, np.nan, 0.5, 0.5, 0.5], interval=1.0, start=-1.0))
    left = density.left_out
    assert (left.before, left.after, left.below, left.above, left.invalid) == (1, 2, 1, 2, 1)
    assert density.counts.sum() == 1


def test_visits_count_shots_and_counts_count_samples() -> None:
    density = Density(columns=1, rows=1, window=(0.0, 10.0), levels=(0.0, 1.0))
    for shot in range(3):
        density.add(shot, Waveform.from_volts(np.full(10, 0.5), interval=1.0))
    assert (density.counts[0, 0], density.visits[0, 0], density.rates[0, 0]) == (30, 3, 1.0)


def test_one_glitch_in_five_hundred_shots_is_found() -> None:
    density = Density.of(drive(0), columns=200, rows=128)
    for shot in range(500):
        density.add(shot, drive(shot, glitch_at=240 if shot == 317 else None))
    first, *others = density.rare(400)
    assert (first.shot, first.visits, first.rate) == (317, 1, 1 / 500)
    assert first.time == pytest.approx(-1e-4 + 246e-6, abs=8e-6)
    assert all(path.cells < first.cells for path in others)
    assert [path.shot for path in density.rare(400, least_cells=first.cells)] == [317]


def test_where_every_shot_goes_nothing_is_rare() -> None:
    density = Density.of(drive(0), columns=50, rows=64)
    for shot in range(30):
        density.add(shot, drive(7))
    assert density.rare(20) == ()


@given(st.lists(st.integers(0, 7), min_size=1, max_size=80), st.integers(1, 20))
def test_rare_cells_are_those_that_counting_by_hand_gives(levels: list[int], one_in: int) -> None:
    density = Density(columns=1, rows=8, window=(0.0, 1.0), levels=(0.0, 8.0))
    for shot, level in enumerate(levels):
        density.add(shot, Waveform.from_volts([level + 0.5], interval=1.0))
    rare = {level for level in levels if levels.count(level) * one_in < len(levels)}
    expected = {shot for shot, level in enumerate(levels) if level in rare}
    found = density.rare(one_in)
    assert {path.shot for path in found} <= expected
    assert {round(path.level - 0.5) for path in found} == rare
    if all(levels.count(level) <= REMEMBERED for level in rare):
        assert {path.shot for path in found} == expected
    assert all(path.visits == levels.count(round(path.level - 0.5)) for path in found)


def test_memory_does_not_grow_with_shots() -> None:
    density = Density.of(drive(0), columns=100, rows=128)
    waves = [drive(seed) for seed in range(4)]
    for shot in range(20):
        density.add(shot, waves[shot % 4])
    tracemalloc.start()
    for shot in range(20, 400):
        density.add(shot, waves[shot % 4])
    kept, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert kept < 50_000  # bytes; the samples of these shots are 380 000


def test_time_axes_that_change_from_shot_to_shot_do_not_pile_up() -> None:
    density = Density(columns=10, rows=10, window=(0.0, 1e-3), levels=(-4.0, 8.0))
    for shot in range(50):
        density.add(shot, replace(drive(1), start=shot * 1e-7))
    assert len(density._grid._tables) <= 8


def test_shots_in_another_unit_are_refused() -> None:
    density = Density.of(drive(0))
    density.add(0, drive(0))
    with pytest.raises(Misuse, match="shot 1 is in A"):
        density.add(1, replace(drive(1), unit="A"))
    assert (density.shots, density.unit) == (1, "V")


def test_the_arguments_are_not_changed_and_the_picture_cannot_be() -> None:
    density = Density.of(drive(0))
    density.add(0, drive(0))
    with pytest.raises(ValueError, match="read-only"):
        density.counts[0, 0] = 1


MISUSES = [
    ({"columns": 0, "rows": 1, "window": (0, 1), "levels": (0, 1)}, "a density of 0 × 1 cells"),
    ({"columns": 10**5, "rows": 10**5, "window": (0, 1), "levels": (0, 1)}, "cells"),
    ({"columns": 1, "rows": 1, "window": (1, 1), "levels": (0, 1)}, "`window` is 1 .. 1"),
    ({"columns": 1, "rows": 1, "window": (0, 1), "levels": (0, float("nan"))}, "`levels` is 0 .. nan"),
]


@pytest.mark.parametrize("arguments, message", MISUSES, ids=[row[1] for row in MISUSES])
def test_a_grid_that_is_none_is_refused(arguments: dict, message: str) -> None:
    with pytest.raises(Misuse, match=message):
        Density(**arguments)


def test_levels_without_a_converter_range_have_room_above_and_below() -> None:
    density = Density.of(Waveform.from_volts([0.0, 1.0, np.nan], interval=1.0))
    assert density.levels == pytest.approx((-0.1, 1.1))
    assert Density.of(Waveform.from_volts([2.0], interval=1.0)).levels == (1.0, 3.0)


def on_a_border(*, noise: float, seed: int, rows: int, glitch_in: int | None = None) -> tuple[RarePath, ...]:
    """300 shots of a steady level right at the border of two rows, one of them with a dip of five samples."""
    random = np.random.default_rng(seed)
    density = Density(window=(0.0, 399e-6), levels=(0.0, 16.0), columns=400, rows=rows)
    for shot in range(300):
        volts = 8.0 + 3.0 * noise + noise * random.standard_normal(400)
        if shot == glitch_in:
            volts[200:205] -= 6.0
        density.add(shot, Waveform.from_volts(volts, interval=1e-6))
    return density.rare(100, least_cells=3, beyond_noise=True)


@pytest.mark.parametrize("rows", [16, 64, 256])
@pytest.mark.parametrize("seed", range(5))
def test_noise_at_the_border_of_two_rows_is_no_rare_path(seed: int, rows: int) -> None:
    assert on_a_border(noise=0.05, seed=seed, rows=rows) == ()


@pytest.mark.parametrize("rows", [16, 64, 256])
def test_what_leaves_the_noise_is_one(rows: int) -> None:
    (found,) = on_a_border(noise=0.05, seed=1, rows=rows, glitch_in=77)
    assert found.shot == 77
    assert found.time == pytest.approx(202e-6, abs=5e-6)
