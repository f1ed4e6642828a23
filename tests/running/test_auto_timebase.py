from __future__ import annotations

import numpy as np
import pytest

from wavewright.instruments.setups import TimebaseSetup
from wavewright.running.auto_range import Extent
from wavewright.running.auto_timebase import PeriodSearch, describe, record_of_cycles
from wavewright.waveform import Waveform

FASTEST = 4e-9  # s
EXTENT = Extent(0.0, 5.0, 0.02)


def pwm(setting: TimebaseSetup, *, frequency: float, duty: float, noise: float) -> Waveform:
    """A record of a pulse train whose phase nobody knows, with noise from a fixed seed."""
    generator = np.random.default_rng(7)
    times = setting.interval * np.arange(setting.points) + generator.uniform(0, 1 / frequency)
    volts = 5.0 * ((times * frequency) % 1 < duty) + generator.normal(0, noise, times.size)
    return Waveform.from_volts(volts, interval=setting.interval)


def search(**signal: float) -> PeriodSearch:
    periods = PeriodSearch(EXTENT, fastest=FASTEST)
    for _ in range(20):
        periods.see(pwm(periods.setting, **signal))
        if periods.is_done:
            return periods
    raise AssertionError("no end")


@pytest.mark.parametrize("frequency", [2.0, 50.0, 1.25e3, 340e3, 12e6])
@pytest.mark.parametrize("duty", [0.05, 0.5, 0.9])
def test_the_period_is_found_over_seven_decades(frequency: float, duty: float) -> None:
    # math: a pulse train of frequency f repeats after 1 / f; noise moves one edge by at most a sample
    found = search(frequency=frequency, duty=duty, noise=0.05)
    assert found.period == pytest.approx(1 / frequency, rel=0.02, abs=2 * FASTEST)


def test_a_slow_and_noisy_edge_is_one_edge() -> None:
    # given a sine of 50 Hz with noise that crosses its middle many times at each passage
    periods = PeriodSearch(EXTENT, fastest=FASTEST)
    generator = np.random.default_rng(3)
    while not periods.is_done:
        times = periods.setting.interval * np.arange(periods.setting.points)
        volts = 2.5 + 2.5 * np.sin(2 * np.pi * 50 * times) + generator.normal(0, 0.1, times.size)
        periods.see(Waveform.from_volts(volts, interval=periods.setting.interval))
    assert periods.period == pytest.approx(20e-3, rel=0.02)


def test_the_noise_on_a_flat_piece_is_no_signal() -> None:
    # given a record so short that it shows 5 V and nothing else, with 100 mV of noise on it
    periods = PeriodSearch(EXTENT, fastest=FASTEST)
    wave = Waveform.from_volts(5.0 + np.random.default_rng(1).normal(0, 0.1, 5000), interval=FASTEST)
    periods.see(wave)
    assert periods.period is None
    assert not periods.is_done
    assert periods.setting.span > wave.duration


def test_a_line_that_never_moves_ends_without_a_period() -> None:
    periods = PeriodSearch(EXTENT, fastest=FASTEST)
    while not periods.is_done:
        periods.see(Waveform.from_volts(np.full(periods.setting.points, 5.0), interval=periods.setting.interval))
    assert periods.period is None


@pytest.mark.parametrize("phase", np.linspace(0, 1, 11))
def test_the_record_holds_the_cycles_wherever_the_trigger_stands(phase: float) -> None:
    # math: n whole cycles lie between n + 1 rising edges
    setting = record_of_cycles(1e-3, 20, fastest=FASTEST)
    start = -setting.before_trigger + phase * 1e-3
    edges = np.arange(-50, 50) * 1e-3
    inside = (edges > start) & (edges < start + setting.span)
    assert inside.sum() >= 21


def test_the_record_fits_into_the_memory_and_the_rate_of_the_instrument() -> None:
    assert record_of_cycles(1e-3, 20, fastest=FASTEST, most_points=10_000).points <= 10_000
    fast = record_of_cycles(80e-9, 20, fastest=FASTEST)
    assert fast.interval == FASTEST
    assert fast.points * fast.interval == pytest.approx(21.25 * 80e-9, rel=0.01)


def test_it_says_what_it_chose() -> None:
    assert describe(0.8e-3, record_of_cycles(0.8e-3, 20)) == (
        "auto time base: period 800 us, so 17 ms in 500000 samples"
    )
