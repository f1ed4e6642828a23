"""Masks: polygons and tolerance bands, against geometry done another way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.statistics.masks import MaskTest, PolygonMask, ToleranceBand
from wavewright.errors import Misuse
from wavewright.waveform import Waveform

HEXAGON = PolygonMask((((10, 0), (14, 2), (26, 2), (30, 0), (26, -2), (14, -2)),))  # an eye's keep-out, V over s


def bad_samples(mask: PolygonMask, wave: Waveform) -> list[int]:
    test = MaskTest(mask)
    runs = test.add(0, wave)
    return [k for run in runs for k in range(round(run.start), round(run.end) + 1)]


def test_a_line_through_a_hexagon_is_caught_where_it_is_inside() -> None:
    wave = Waveform.from_volts(np.full(41, 1.0), interval=1.0)
    # math: at level 1 the hexagon reaches from 12 to 28; its border is allowed
    assert bad_samples(HEXAGON, wave) == list(range(13, 28))


def test_the_worst_sample_and_its_depth_are_told() -> None:
    test = MaskTest(HEXAGON)
    (run,) = test.add(7, Waveform.from_volts(np.where(np.arange(41) == 20, 1.5, 5.0), interval=1.0))
    assert (run.shot, run.start, run.end, run.time, run.level) == (7, 20, 20, 20, 1.5)
    assert run.excess == pytest.approx(0.5)  # up to the border at 2
    assert (test.shots, test.bad_shots, test.count, test.samples) == (1, [7], 1, 21)


@given(
    points=st.lists(st.tuples(st.integers(-30, 70), st.integers(-40, 40)), min_size=3, max_size=9),
    level=st.integers(-40, 40),
)
def test_what_is_inside_agrees_with_the_winding_angle_of_a_convex_hull(points, level) -> None:
    # math: a point is inside a convex polygon if it lies on the same side of all borders; SciPy 1.17.1 makes the hull
    from scipy.spatial import ConvexHull, QhullError

    corners = np.array(points, dtype=float) + 0.25  # samples never fall on a corner
    try:
        hull = ConvexHull(corners)
    except QhullError:
        return
    mask = PolygonMask((tuple(map(tuple, corners[hull.vertices])),))
    times = np.arange(41.0)
    sides = hull.equations[:, 0, None] * times + hull.equations[:, 1, None] * level + hull.equations[:, 2, None]
    expected = [k for k in range(41) if (sides[:, k] < -1e-9).all()]
    allowed = [k for k in range(41) if (sides[:, k] > 1e-9).any()]
    found = bad_samples(mask, Waveform.from_volts(np.full(41, float(level)), interval=1.0))
    assert set(expected) <= set(found)
    assert not set(found) & set(allowed)


def test_a_concave_polygon_leaves_its_notch_free() -> None:
    u_shape = PolygonMask((((0, 0), (0, 10), (3, 10), (3, 3), (6, 3), (6, 10), (9, 10), (9, 0)),))
    inside = bad_samples(u_shape, Waveform.from_volts(np.full(11, 5.0), interval=1.0))
    assert {1, 2, 7, 8} <= set(inside)
    assert not {4, 5, 10} & set(inside)


@given(gain=st.floats(1e-3, 1e3), shift=st.floats(-100, 100), seconds=st.floats(1e-9, 1e3), start=st.floats(-1, 1))
def test_scaling_mask_and_waveform_together_changes_nothing(gain, shift, seconds, start) -> None:
    values = 2.5 * np.sin(0.5 * np.arange(41)) + 0.013
    plain = MaskTest(HEXAGON)
    plain.add(0, Waveform.from_volts(values, interval=1.0))
    moved = PolygonMask(tuple(tuple((start + t * seconds, shift + v * gain) for t, v in p) for p in HEXAGON.polygons))
    scaled = MaskTest(moved)
    scaled.add(0, Waveform(values, gain=gain, offset=shift, interval=seconds, start=start))
    assert scaled.bad_samples == plain.bad_samples
    assert [run.excess / gain for run in scaled.violations] == pytest.approx(
        [run.excess for run in plain.violations], rel=1e-6, abs=1e-9 * (1 + abs(shift) / gain)
    )


def test_codes_of_a_converter_are_judged_as_their_values() -> None:
    codes = np.array([0, 100, 100, -100, 0], np.int8)
    wave = Waveform(codes, gain=-0.01, offset=1.0, interval=1.0)
    test = MaskTest(PolygonMask((((-1, -0.5), (6, -0.5), (6, 0.5), (-1, 0.5)),)))
    (run,) = test.add(0, wave)
    assert (run.start, run.end, run.level) == (1.0, 2.0, pytest.approx(0.0))


def test_a_run_over_the_border_of_two_blocks_is_one_violation() -> None:
    wave = Waveform(np.zeros(200_000, np.int8), interval=1.0)
    early = ((0, 5), (1, 5), (1, 6))  # so that blocks are counted from the first sample
    test = MaskTest(PolygonMask((early, ((60_000.5, -1), (70_000.5, -1), (70_000.5, 1), (60_000.5, 1)))))
    (run,) = test.add(0, wave)
    assert (run.start, run.end) == (60_001, 70_000)
    assert test.bad_samples == 10_000


def test_a_golden_waveform_violates_no_band_round_itself() -> None:
    rng = np.random.default_rng(204)
    golden = Waveform.from_volts(rng.normal(size=500), interval=1e-6, start=-1e-4, name="golden")
    for time, level in ((0.0, 0.0), (3e-6, 0.0), (2.5e-6, 0.1)):
        assert MaskTest(ToleranceBand(golden, time=time, level=level)).add(0, golden) == ()


@given(st.integers(0, 20), st.floats(0, 1))
def test_a_shifted_golden_waveform_stays_inside_as_long_as_the_time_tolerance_allows(shift: int, level: float) -> None:
    values = np.cumsum(np.random.default_rng(1).normal(size=300))
    golden = Waveform.from_volts(values, interval=1.0)
    moved = replace(golden, start=float(shift))
    assert MaskTest(ToleranceBand(golden, time=float(shift), level=level)).add(0, moved) == ()
    if shift > 0:
        tight = MaskTest(ToleranceBand(golden, time=0.0, level=1e-6))
        assert tight.add(0, moved)


def test_the_band_round_a_step_is_where_geometry_puts_it() -> None:
    step = Waveform.from_volts(np.repeat([0.0, 10.0], 50), interval=1.0)
    band = ToleranceBand(step, time=2.5, level=1.0)
    # math: the edge goes from (49, 0) to (50, 10); moved by 2.5 its upper edge is at half height at 49.5 − 2.5
    assert np.interp([46.0, 47.0, 47.5, 52.0], np.arange(100), band.upper) == pytest.approx([1.0, 6.0, 8.5, 11.0])
    assert np.interp([46.0, 52.0, 53.0], np.arange(100), band.lower) == pytest.approx([-1.0, 4.0, 9.0])


@pytest.mark.parametrize("level, excess", [(1.2, 0.7), (-1.2, 0.7), (0.4, None), (-0.4, None)])
def test_both_edges_of_a_band_hold(level: float, excess: float | None) -> None:
    golden = Waveform.from_volts(np.zeros(10), interval=1.0)
    runs = MaskTest(ToleranceBand(golden, time=0.0, level=0.5)).add(0, Waveform.from_volts([0, level, 0], interval=1.0))
    assert [run.excess for run in runs] == ([] if excess is None else [pytest.approx(excess)])


def test_only_the_time_of_the_golden_waveform_is_judged() -> None:
    golden = Waveform.from_volts(np.zeros(10), interval=1.0, start=5.0)
    test = MaskTest(ToleranceBand(golden, time=0.0, level=0.5))
    runs = test.add(3, Waveform.from_volts(np.full(30, 1.0), interval=1.0))
    assert [(run.start, run.end, run.excess) for run in runs] == [(5.0, 14.0, 0.5)]
    assert test.samples == 10


def test_invalid_samples_violate_nothing() -> None:
    golden = Waveform.from_volts(np.zeros(4), interval=1.0)
    assert (
        MaskTest(ToleranceBand(golden, time=0, level=1)).add(0, Waveform.from_volts([np.nan] * 4, interval=1.0)) == ()
    )
    wave = Waveform.from_volts(np.full(41, np.nan), interval=1.0)
    assert bad_samples(HEXAGON, wave) == []


@pytest.mark.parametrize("polygon", [((0, 0), (1, 1)), ((0, 0), (1, 1), (2, float("nan")))])
def test_what_is_no_polygon_is_refused(polygon) -> None:
    with pytest.raises(Misuse, match="a polygon of"):
        PolygonMask((polygon,))


def test_a_band_round_nothing_is_refused() -> None:
    with pytest.raises(Misuse, match="around 1 samples"):
        ToleranceBand(Waveform.from_volts([1.0], interval=1.0), time=0, level=0)
    with pytest.raises(Misuse, match="invalid samples"):
        ToleranceBand(Waveform.from_volts([1.0, np.nan], interval=1.0), time=0, level=0)
