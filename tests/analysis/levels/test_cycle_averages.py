from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.waveform import Waveform


@pytest.mark.parametrize("cycles", [2.3, 5.5, 10.25, 37.9])
@pytest.mark.parametrize("phase", [0.0, 1.0, 4.0])
def test_broken_cycles_at_the_ends_do_not_count(cycles: float, phase: float) -> None:
    # math: mean 0.5, rms √(0.25 + 4.5) of whole periods; the trapezoidal rule over a period of r samples with ends on
    # straight lines is off by at most (2π/r)²/12 of the amplitude at each end
    n = 4000
    volts = 3 * np.sin(2 * np.pi * cycles * np.arange(n) / n + phase) + 0.5
    wave = Waveform.from_volts(volts, interval=1e-6)
    tolerance = 3 * (2 * np.pi * cycles / n) ** 2
    assert measure(wave, "cycle_mean").value == pytest.approx(0.5, abs=tolerance)
    assert measure(wave, "cycle_rms").value == pytest.approx(math.sqrt(0.25 + 4.5), abs=tolerance)


def test_mean_and_rms_of_a_trapezoid() -> None:
    # math: mean a/2 + b + c/2 = 0.45, rms √(a/3 + b + c/3) = 0.632455532 for rise, top and fall of 0.1, 0.3, 0.2
    places = np.arange(3_300_000) / 1_000_000 % 1
    volts = np.interp(places, [0, 0.1, 0.4, 0.6, 1.0], [0, 1, 1, 0, 0])
    wave = Waveform.from_volts(volts, interval=1e-12)
    assert measure(wave, "cycle_mean").value == pytest.approx(0.45, abs=1e-6)
    assert measure(wave, "cycle_rms").value == pytest.approx(0.632455532, abs=1e-6)


@pytest.mark.parametrize("percent", [1, 10, 40, 90, 99])
def test_pulses_of_any_duty_factor(percent: int) -> None:
    # math: mean D, rms √D; steps between two samples cost half a sample at most
    volts = (np.arange(12_345) % 1000 < 10 * percent).astype(np.uint8)
    wave = Waveform(volts, interval=1e-6)
    assert measure(wave, "cycle_mean").value == pytest.approx(percent / 100, abs=1e-12)
    assert measure(wave, "cycle_rms").value == pytest.approx(math.sqrt(percent / 100), rel=0.02)


def test_a_huge_offset_costs_no_digits() -> None:
    volts = np.sin(2 * np.pi * np.arange(10_000) / 1000)
    plain = measure(Waveform.from_volts(volts, interval=1.0), "cycle_mean").value
    lifted = measure(Waveform.from_volts(volts + 1e6, interval=1.0), "cycle_mean").value
    assert lifted - 1e6 == pytest.approx(plain, abs=1e-9)


def test_integer_and_float_records_agree_also_when_most_is_cut_away() -> None:
    volts = np.concatenate([np.zeros(5000), np.tile([0, 50, 100, 50], 60), np.zeros(9000)])
    found = [measure(Waveform(volts.astype(dtype), interval=1.0), "cycle_rms").value for dtype in (np.int8, np.float64)]
    assert found[0] == pytest.approx(found[1], rel=1e-12)


@given(st.lists(st.tuples(st.integers(-90, -20), st.integers(20, 90)), min_size=3, max_size=8))
def test_few_samples_a_period_are_integrated_as_numpy_does(pairs: list[tuple[int, int]]) -> None:
    # source: numpy.trapezoid, NumPy 2.4.6, over the samples and the two edges at 0 V
    volts = np.array(pairs, dtype=np.float64).ravel()
    wave = Waveform(volts.astype(np.int8), interval=1.0)
    edges = measure(wave, "rising_edges", level=0.0).occurrences.times
    inside = np.arange(np.ceil(edges[0]), np.floor(edges[-1]) + 1)
    times = np.concatenate([edges[:1], inside, edges[-1:]])
    values = np.concatenate([[0.0], volts[inside.astype(int)], [0.0]])
    span = edges[-1] - edges[0]
    assert measure(wave, "cycle_mean", level=0.0).value == pytest.approx(np.trapezoid(values, times) / span)
    mean_square = np.trapezoid(values**2, times) / span
    assert measure(wave, "cycle_rms", level=0.0).value == pytest.approx(math.sqrt(mean_square))


def test_a_record_without_a_whole_period_gives_a_reason() -> None:
    reading = measure(Waveform.from_volts([0.0, 0.0, 1.0, 1.0, 0.0], interval=1.0, name="drive"), "cycle_mean")
    assert reading.value is None
    assert reading.reason.startswith("`drive`: 1 rising and 1 falling crossings of 0.5 V")
