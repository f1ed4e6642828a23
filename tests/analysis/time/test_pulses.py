from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.waveform import Waveform


def trapezoid() -> Waveform:
    """0 to 1 in 100 ns, there for 300 ns, back in 200 ns, every microsecond; sampled every ns from 0.37 ns on."""
    times = (np.arange(5000) + 0.37) % 1000
    return Waveform.from_volts(np.interp(times, [0, 100, 400, 600, 1000], [0, 1, 1, 0, 0]), interval=1e-9)


@pytest.mark.parametrize(
    "name, expected",
    [("positive_pulse_width", 450e-9), ("negative_pulse_width", 550e-9), ("duty_factor", 0.45), ("period", 1e-6)],
)
def test_durations_of_a_trapezoid(name: str, expected: float) -> None:
    # math: straight lines are interpolated exactly
    assert measure(trapezoid(), name).value == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("percent", [1, 2, 5, 10, 25, 40, 50, 75, 90, 95, 98, 99])
@pytest.mark.parametrize("dtype", [np.int8, np.uint8, np.int16, np.float32])
def test_duty_factor_of_pwm_from_1_to_99_percent(percent: int, dtype: type) -> None:
    # math: every edge lies midway between two samples, so the ratio of whole numbers of samples is exact
    codes = (np.arange(20_000) % 1000 < 10 * percent).astype(dtype)
    reading = measure(Waveform(codes, gain=24.0, interval=1e-6), "duty_factor")
    assert reading.value == pytest.approx(percent / 100, rel=1e-9)
    assert reading.count in (18, 19)


@pytest.mark.parametrize("level, expected", [(0.0, 0.5), (0.5, 1 / 3), (0.9, 0.143566293)])
def test_duty_factor_of_a_sine_at_a_level(level: float, expected: float) -> None:
    # math: arccos(level)/π; at 1000 samples per cycle straight lines cost less than 1e-5
    volts = np.sin(2 * np.pi * np.arange(10_000) / 1000 + 0.1)
    reading = measure(Waveform.from_volts(volts, interval=1e-6), "duty_factor", level=level)
    assert reading.value == pytest.approx(expected, abs=1e-5)


def test_the_published_example() -> None:
    # FED-STD-1037C, "duty cycle", note (seen in a reprint): pulses of 1 µs every 4 µs
    volts = np.tile(np.repeat([1.0, 0.0], [10, 30]), 12)
    assert measure(Waveform.from_volts(volts, interval=1e-7), "duty_factor").value == pytest.approx(0.25, rel=1e-12)


@pytest.mark.parametrize("width, of_drive, of_peak", [(5, 4.993239, 5.006715), (2, 1.854587, 2.126928)])
def test_the_width_depends_on_the_levels(width: float, of_drive: float, of_peak: float) -> None:
    # math: one 0/1 pulse through a single pole, in time constants
    times = np.arange(-1000, 12_000) * 1e-3
    rise = 1 - np.exp(-np.clip(times, 0, width))
    wave = Waveform.from_volts(rise * np.exp(-np.maximum(times - width, 0)), interval=1e-3)
    assert measure(wave, "positive_pulse_width", level=0.5).value == pytest.approx(of_drive, rel=1e-5)
    reading = measure(wave, "positive_pulse_width", level="50 %", levels="extremes")
    assert reading.value == pytest.approx(of_peak, rel=1e-5)


def test_pulses_cut_by_the_ends_do_not_count() -> None:
    wave = Waveform.from_volts(np.repeat([1, 0, 1, 0, 1, 0, 1], [5, 10, 20, 10, 30, 10, 7]).astype(float), interval=1.0)
    assert measure(wave, "pulses").value == 2
    assert measure(wave, "pulses", polarity="negative").value == 3
    assert measure(wave, "pulses", polarity="either").value == 5
    assert measure(wave, "longest_pulse").value == pytest.approx(30)
    assert measure(wave, "shortest_pulse").value == pytest.approx(20)
    assert measure(wave, "shortest_pulse", polarity="negative").value == pytest.approx(10)
    assert measure(wave, "positive_pulse_width").value == pytest.approx(25)


def test_the_occurrence_of_the_longest_pulse_is_when_it_begins() -> None:
    wave = Waveform.from_volts(np.repeat([0.0, 1, 0, 1, 0], [10, 20, 10, 30, 10]), interval=1e-3, start=1.0)
    reading = measure(wave, "longest_pulse")
    assert reading.occurrences.times == pytest.approx([1.0 + 39.5e-3])


def test_pulses_of_a_membrane_potential() -> None:
    # matplotlib 3.11.2, mpl-data/sample_data/membrane.dat: 57 crossings of −0.2
    matplotlib = pytest.importorskip("matplotlib")
    from pathlib import Path

    path = Path(matplotlib.get_data_path()) / "sample_data" / "membrane.dat"
    wave = Waveform(np.fromfile(path, dtype=np.float32), interval=0.0005)
    for level in (-0.2, -0.1):
        assert measure(wave, "rising_edges", level=level, hysteresis=0.0).value == 57


def test_a_width_of_few_samples_is_doubted() -> None:
    volts = np.tile(np.repeat([1.0, 0.0], [3, 30]), 12)
    reading = measure(Waveform.from_volts(volts, interval=1.0), "positive_pulse_width")
    assert Doubt.FEW_SAMPLES in reading.doubts
    # the edges lie somewhere between two samples each: ±½ interval at either end (rectangular, JCGM 100:2008, 4.3.7)
    assert reading.uncertainty == pytest.approx(math.sqrt(2) * 0.5 / math.sqrt(3))


@pytest.mark.parametrize("name", ["positive_pulse_width", "duty_factor", "longest_pulse"])
def test_a_single_edge_gives_a_reason(name: str) -> None:
    reading = measure(Waveform.from_volts([0.0] * 5 + [1.0] * 5, interval=1.0, name="enable"), name)
    assert reading.value is None
    assert reading.reason.startswith("`enable`: 1 rising and 0 falling crossings of 0.5 V")


def test_width_of_a_gaussian_pulse_at_half_its_height() -> None:
    # math: 2·√(2·ln 2) σ = 2.354820045 σ, at an interval of σ/200
    volts = np.exp(-0.5 * (np.arange(-2000, 2001) / 200) ** 2)
    reading = measure(Waveform.from_volts(volts, interval=1 / 200), "positive_pulse_width", level=0.5)
    assert reading.value == pytest.approx(2.354820045, rel=1e-5)
