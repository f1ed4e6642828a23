"""Allan deviations against the published test suites and against allantools."""

from __future__ import annotations

import allantools
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.analysis.lines_with_edges import line_with_edges
from wavewright.analysis.jitter.allan import (
    allan_deviation_without_overlap,
    modified_allan_deviation,
    overlapping_allan_deviation,
)
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.waveform import Floats, Waveform


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def time_errors(frequencies: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(frequencies)])


def thousand_points() -> Floats:
    """The pseudo-random set: 16807·n mod 2147483647 over 2147483647, from 1234567890; whole numbers beyond 32 bits."""
    number, found = 1234567890, []
    for _ in range(1000):
        found.append(number / 2147483647)
        number = 16807 * number % 2147483647
    return np.array(found)


NINE = time_errors(np.array([892, 809, 823, 798, 671, 644, 883, 903, 677], dtype=float))
THOUSAND = time_errors(thousand_points())
# Source: NIST SP 1065, section 12 (pp. 107 and 108), after NBS Monograph 140, annex 8.E, as quoted in the source
# distribution of allantools 2024.6 (tests/nbs14). Seven digits: 1e-6 relative.
PUBLISHED = [
    # data, factor, without overlap, overlapping, modified
    ("nine points", NINE, 1, 91.22945, 91.22945, 91.22945),
    ("nine points", NINE, 2, 115.8082, 85.95287, 74.78849),
    ("thousand points", THOUSAND, 1, 2.922319e-1, 2.922319e-1, 2.922319e-1),
    ("thousand points", THOUSAND, 10, 9.965736e-2, 9.159953e-2, 6.172376e-2),
    ("thousand points", THOUSAND, 100, 3.897804e-2, 3.241343e-2, 2.170921e-2),
]


@pytest.mark.parametrize("row", PUBLISHED, ids=[f"{row[0]}, {row[2]}" for row in PUBLISHED])
def test_published_values(row: tuple[str, Floats, int, float, float, float]) -> None:
    _, errors, factor, plain, overlapping, modified = row
    assert allan_deviation_without_overlap(errors, 1.0, factor=factor) == pytest.approx(plain, rel=1e-6)
    assert overlapping_allan_deviation(errors, 1.0, factor=factor) == pytest.approx(overlapping, rel=1e-6)
    assert modified_allan_deviation(errors, 1.0, factor=factor) == pytest.approx(modified, rel=1e-6)


def test_the_thousand_points_are_the_published_ones() -> None:
    frequencies = thousand_points()
    assert frequencies.mean() == pytest.approx(0.4897745, abs=1e-7)
    assert frequencies.std(ddof=1) == pytest.approx(0.2884664, abs=1e-7)
    assert frequencies[[0, -1]] == pytest.approx([0.5748905, 0.7264948], abs=1e-7)


@pytest.mark.parametrize("factor", [1, 3, 17, 100])
def test_agrees_with_allantools_on_random_walks(factor: int) -> None:
    # source: allantools 2024.6, oadev, adev, mdev on time errors
    errors = np.cumsum(np.random.default_rng(factor).standard_normal(2000)) * 1e-9
    options = {"rate": 10.0, "data_type": "phase", "taus": [factor / 10.0]}
    for ours, theirs in (
        (overlapping_allan_deviation, allantools.oadev),
        (allan_deviation_without_overlap, allantools.adev),
        (modified_allan_deviation, allantools.mdev),
    ):
        _, deviations, _, _ = theirs(errors, **options)
        assert ours(errors, 0.1, factor=factor) == pytest.approx(deviations[0], rel=1e-9)


def clock(count: int = 300) -> tuple[Waveform, Floats]:
    jitter = 0.3e-9 * np.random.default_rng(8).standard_normal(count)
    rising = 20.3e-9 + 40e-9 * np.arange(count) + jitter
    instants = np.stack([rising, rising + 20e-9], axis=1).ravel()
    return line_with_edges(instants, interval=1e-9, ramp=6e-9, end=instants[-1] + 15e-9), rising


def test_metric_takes_the_edges_of_a_clock() -> None:
    wave, rising = clock()
    for averaging, factor in ((None, 1), ("400 ns", 10)):
        # source: allantools, oadev; the mean period takes the place of the nominal one
        period = (rising[-1] - rising[0]) / (rising.size - 1)
        tau = factor * period
        _, deviations, _, _ = allantools.oadev(rising - rising[0], rate=1 / period, data_type="phase", taus=[tau])
        assert value(measure(wave, "allan_deviation", averaging=averaging)) == pytest.approx(deviations[0], rel=1e-4)
    options = {"rate": 1 / period, "data_type": "phase", "taus": [10 * period]}
    for estimator, theirs in (("consecutive", allantools.adev), ("modified", allantools.mdev)):
        _, deviations, _, _ = theirs(rising - rising[0], **options)
        ours = value(measure(wave, "allan_deviation", averaging="400 ns", estimator=estimator))
        assert ours == pytest.approx(deviations[0], rel=1e-4)
    assert "1 to 100 periods" in measure(wave, "allan_deviation", averaging="5 us", estimator="modified").reason


def test_white_frequency_noise_falls_with_the_root_of_the_averaging_time() -> None:
    rng = np.random.default_rng(9)
    found = [overlapping_allan_deviation(np.cumsum(rng.standard_normal(400)), 1.0, factor=5) for _ in range(300)]
    # math: for white frequency noise of σ the Allan deviation is σ/√τ
    assert np.mean(found) == pytest.approx(1 / np.sqrt(5), rel=0.02)


def test_uncertainty_is_the_scatter_of_clocks_with_white_frequency_noise() -> None:
    rng = np.random.default_rng(10)
    readings = []
    for _ in range(100):
        rising = np.cumsum(40e-9 + 0.1e-9 * rng.standard_normal(200))
        instants = np.stack([rising, rising + 20e-9], axis=1).ravel()
        wave = line_with_edges(instants, interval=2e-9, ramp=8e-9, end=instants[-1] + 15e-9)
        readings.append(measure(wave, "allan_deviation", averaging="200 ns"))
    scatter = np.std([value(reading) for reading in readings])
    # 100 runs tell a scatter to 7 %; the degrees of freedom are an approximation
    assert np.mean([reading.uncertainty for reading in readings]) == pytest.approx(scatter, rel=0.25)


@pytest.mark.parametrize("factor", [1, 2, 10, 60])
def test_uncertainty_has_the_published_degrees_of_freedom(factor: int) -> None:
    # source: NIST SP 1065, table 5, white frequency noise, as allantools 2024.6 has it (edf_simple, alpha 0); the
    # relative uncertainty of a standard deviation is 1/√(2ν) (JCGM 100:2008, E.4.3)
    wave, rising = clock()
    reading = measure(wave, "allan_deviation", averaging=f"{40 * factor} ns")
    assert reading.uncertainty is not None
    freedom = (value(reading) / reading.uncertainty) ** 2 / 2
    assert freedom == pytest.approx(allantools.edf_simple(rising.size, factor, 0), rel=1e-9)
    if factor == 1:  # worked by hand: (3·299/2 − 2·298/300)·4/9
        assert freedom == pytest.approx((448.5 - 596 / 300) * 4 / 9, rel=1e-9)


@given(slope=st.floats(-1e-3, 1e-3), constant=st.floats(-1, 1), scale=st.floats(1e-3, 1e3))
def test_knows_neither_constant_nor_frequency_and_scales(slope: float, constant: float, scale: float) -> None:
    errors = np.cumsum(np.random.default_rng(1).standard_normal(100))
    moved = scale * errors + constant + slope * np.arange(100)
    plain = overlapping_allan_deviation(errors, 1.0, factor=7)
    assert overlapping_allan_deviation(moved, 1.0, factor=7) == pytest.approx(scale * plain, rel=1e-9)


def test_stretches_that_the_record_does_not_bear_are_refused() -> None:
    wave, _ = clock(20)
    assert "1 to 9 periods" in measure(wave, "allan_deviation", averaging="1 ms").reason
    assert "at least 3 rising ones" in measure(clock(2)[0], "allan_deviation").reason
