"""Jitter of clocks whose edges are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.analysis.lines_with_edges import line_with_edges
from wavewright.analysis.fitting.line_fit import fit_line
from wavewright.analysis.jitter.jitter import (
    cycle_to_cycle_deviations,
    jitter_trend,
    period_deviations,
    time_interval_errors,
)
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.errors import Misuse
from wavewright.waveform import Floats, Waveform


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def rms(deviations: Floats) -> float:
    return math.sqrt(float(np.mean(np.square(deviations))))


def modulated_edges(count: int = 40_000) -> Floats:
    """Edges where 2πf_c t + β sin 2πf_m t = 2πk; f_c = 10 MHz, f_m = 250 kHz, β = 0.2."""
    numbers = np.arange(count)
    instants = numbers / 10e6
    for _ in range(60):
        instants = (numbers - 0.2 * np.sin(2 * np.pi * 250e3 * instants) / (2 * np.pi)) / 10e6
    return instants


MODULATED = modulated_edges()
AMPLITUDE = 0.2 / (2 * math.pi * 10e6)  # 3183.1 ps
# math, first order in β


def test_time_interval_error_of_sinusoidal_modulation() -> None:
    errors = time_interval_errors(MODULATED, period=1e-7)
    assert rms(errors) == pytest.approx(2250.7908e-12, rel=2e-5)
    assert np.ptp(errors) == pytest.approx(6366.1977e-12, rel=2e-5)  # peaks fall between edges
    assert rms(time_interval_errors(MODULATED)) == pytest.approx(2250.7908e-12, rel=2e-5)


def test_period_jitter_of_sinusoidal_modulation() -> None:
    deviations = period_deviations(MODULATED)
    assert rms(deviations) == pytest.approx(AMPLITUDE / math.sqrt(2) * 2 * math.sin(math.pi / 40), rel=2e-5)
    assert rms(deviations) == pytest.approx(353.19e-12, rel=2e-5)
    assert np.ptp(deviations) == pytest.approx(998.972e-12, rel=4e-3)


def test_cycle_to_cycle_jitter_of_sinusoidal_modulation() -> None:
    deviations = cycle_to_cycle_deviations(MODULATED)
    assert rms(deviations) == pytest.approx(55.4219e-12, rel=1e-4)
    assert np.abs(deviations).max() == pytest.approx(78.378e-12, rel=1e-4)


@pytest.mark.parametrize("periods, expected", [(10, 3183.099e-12), (20, 4501.582e-12), (40, 0.0)])
def test_jitter_of_several_periods(periods: int, expected: float) -> None:
    assert rms(period_deviations(MODULATED, periods=periods)) == pytest.approx(expected, rel=1e-4, abs=1e-15)


def test_white_edge_noise_and_independent_periods() -> None:
    # math: √2 σ, √6 σ; independent periods √2 σ
    noise = np.random.default_rng(76).standard_normal(2_000_000)
    edges = np.arange(noise.size) * 1000.0 + noise
    assert rms(period_deviations(edges)) == pytest.approx(math.sqrt(2), rel=5e-3)
    assert rms(cycle_to_cycle_deviations(edges)) == pytest.approx(math.sqrt(6), rel=5e-3)
    assert rms(cycle_to_cycle_deviations(np.cumsum(1000 + noise))) == pytest.approx(math.sqrt(2), rel=5e-3)


def test_a_line_through_the_edges_knows_the_period_best() -> None:
    # math: σ·√(12/(n(n² − 1))); from the first and the last edge alone √2·σ/1000
    rng = np.random.default_rng(80)
    sigma_of_period = 1e-9 * math.sqrt(12 / (1001 * (1001**2 - 1)))
    assert sigma_of_period / 1e-6 == pytest.approx(1.0938e-7, rel=1e-4)
    numbers = np.arange(1001.0)
    noisy = [numbers * 1e-6 + 1e-9 * rng.standard_normal(1001) for _ in range(500)]
    fitted = [fit_line(numbers, instants).slope for instants in noisy]
    assert np.std(fitted) == pytest.approx(sigma_of_period, rel=0.1)  # 500 runs tell a scatter to 3 %


def test_a_frequency_offset_is_a_straight_time_interval_error() -> None:
    # math: 5 ppm over 1 ms are 5 ns
    edges = np.arange(1001) * 1e-6 * (1 + 5e-6)
    errors = time_interval_errors(edges, period=1e-6)
    assert np.ptp(errors) == pytest.approx(5e-9, rel=1e-6)
    assert np.diff(errors) == pytest.approx(np.full(1000, 5e-12), rel=1e-3)
    assert np.ptp(time_interval_errors(edges)) < 1e-16


def clock(jitter: Floats, period: float = 40e-9, interval: float = 1e-9) -> Waveform:
    """A clock whose rising edges are late by `jitter`, s."""
    rising = 20.3e-9 + period * np.arange(jitter.size) + jitter
    falling = 20.3e-9 + period * (np.arange(jitter.size) + 0.5)
    instants = np.stack([rising, falling], axis=1).ravel()
    return line_with_edges(instants, interval=interval, ramp=6e-9, end=instants[-1] + 15e-9, name="clock")


JITTER = 0.5e-9 * np.random.default_rng(5).standard_normal(400)


def test_metrics_find_the_jitter_that_a_waveform_has() -> None:
    wave = clock(JITTER)
    # math: linear interpolation is exact on the ramps, so the edges come back to rounding
    assert value(measure(wave, "period_jitter")) == pytest.approx(np.std(np.diff(JITTER), ddof=1), rel=1e-6)
    of_cycles = value(measure(wave, "cycle_to_cycle_jitter"))
    assert of_cycles == pytest.approx(rms(np.diff(JITTER, n=2)), rel=1e-6)
    k = np.arange(400)
    line = np.polyval(np.polyfit(k, JITTER, 1), k)  # source: numpy polyfit
    expected = math.sqrt(((JITTER - line) ** 2).sum() / 398)
    assert value(measure(wave, "time_interval_error")) == pytest.approx(expected, rel=1e-6)
    against_nominal = value(measure(wave, "time_interval_error", reference="25 MHz", statistic="peak_to_peak"))
    assert against_nominal == pytest.approx(np.ptp(JITTER), rel=1e-6)
    peak = value(measure(wave, "period_jitter", statistic="peak"))
    assert peak == pytest.approx(np.abs(np.diff(JITTER) - np.diff(JITTER).mean()).max(), rel=1e-6)
    ten = value(measure(wave, "period_jitter", periods=10))
    assert ten == pytest.approx(np.std(JITTER[10:] - JITTER[:-10], ddof=1), rel=1e-6)
    assert value(measure(wave, "period_jitter", slope="falling")) < 1e-15


def test_every_deviation_is_given_with_its_time() -> None:
    wave = clock(JITTER)
    reading = measure(wave, "period_jitter")
    assert reading.count == 399
    assert reading.occurrences is not None
    assert reading.occurrences.values == pytest.approx(np.diff(JITTER) - np.diff(JITTER).mean(), abs=1e-15)
    trend = jitter_trend(Survey(wave), kind="period")
    assert trend.times == pytest.approx(20.3e-9 + 40e-9 * np.arange(1, 400) + JITTER[1:], abs=1e-14)


@given(
    gain=st.sampled_from([1e-3, 2.0, 50.0]),
    offset=st.floats(-10, 10),
    start=st.floats(-1e-3, 1e-3),
    stretched=st.sampled_from([1e-3, 1.0, 1e3]),
)
def test_knows_no_vertical_scale_and_moves_with_time(
    gain: float, offset: float, start: float, stretched: float
) -> None:
    plain = clock(JITTER[:50])
    moved = Waveform(plain.codes, gain=gain, offset=offset, interval=plain.interval * stretched, start=start)
    names = ["period_jitter", "cycle_to_cycle_jitter", "time_interval_error"]
    before, after = measure(plain, names), measure(moved, names)
    for name in names:
        assert value(after[name]) == pytest.approx(value(before[name]) * stretched, rel=1e-6), name


def test_uncertainty_is_the_scatter_of_repeated_readings() -> None:
    rng = np.random.default_rng(6)
    readings = [measure(clock(0.5e-9 * rng.standard_normal(200)), "time_interval_error") for _ in range(60)]
    scatter = np.std([value(reading) for reading in readings])
    mean = np.mean([reading.uncertainty for reading in readings])
    # the share of the interpolation comes on top; 60 runs tell a scatter to 9 %
    assert 0.8 * scatter < mean < 4 * scatter


def test_too_few_edges_are_no_jitter() -> None:
    for name, least in (("period_jitter", 3), ("cycle_to_cycle_jitter", 4), ("time_interval_error", 3)):
        reading = measure(clock(JITTER[:2]), name)
        assert reading.value is None
        assert f"at least {least} rising ones" in reading.reason
    assert Doubt.FEW_CYCLES in measure(clock(JITTER[:5]), "period_jitter").doubts
    with pytest.raises(Misuse, match="`periods` is `0`"):
        measure(clock(JITTER), "period_jitter", periods=0)


def test_period_jitter_against_an_ideal_clock_has_the_frequency_error_in_it() -> None:
    # deviations from 1/f0 (JESD65B as component data restate it): rms² = variance + (mean − 1/f0)² (math)
    wave = clock(JITTER)
    own, mean = measure(wave, "period_jitter"), measure(wave, "period")
    count = own.count
    for f0 in (1 / mean.value, 1.001 / mean.value):
        reading = measure(wave, "period_jitter", reference=f0)
        expected = math.sqrt(own.value**2 * (count - 1) / count + (mean.value - 1 / f0) ** 2)
        assert reading.value == pytest.approx(expected, rel=1e-6)
        assert reading.count == count
    peak = measure(wave, "period_jitter", reference=f0, statistic="peak")
    assert peak.value == pytest.approx(max(abs(mean.maximum - 1 / f0), abs(mean.minimum - 1 / f0)), rel=1e-6)
