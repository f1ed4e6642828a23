"""Compensation error against the step response of a divider, summed over all edges in closed form (math)."""

from __future__ import annotations

import numpy as np
import pytest

from wavewright.analysis.front_end.probe_loading import Compensation
from wavewright.analysis.measure import measure
from wavewright.waveform import Waveform

INTERVAL = 1e-6


def square(error: float, *, time_constant: float = 100e-6, half: float = 500e-6, noise: float = 0.0) -> Waveform:
    """A square wave of ±1 V through a divider: each edge adds 2 V · (1 + error · exp(−t/τ)), for ever before."""
    times = np.arange(10_000) * INTERVAL
    phase = (times - 0.25e-3 + 20 * half) % (2 * half)
    since = phase % half
    sign = np.where(phase < half, 1.0, -1.0)
    left = 2 * error / (1 + np.exp(-half / time_constant)) * np.exp(-since / time_constant)
    volts = sign * (1 + left)
    volts += noise * np.random.default_rng(7).standard_normal(times.size)
    return Waveform.from_volts(volts, interval=INTERVAL, name="tip")


@pytest.mark.parametrize("error", [-0.15, -0.04, -0.01, 0.01, 0.06, 0.2])
@pytest.mark.parametrize("time_constant", [20e-6, 100e-6, 300e-6])
def test_the_error_of_a_divider_is_found_whatever_its_time_constant(error: float, time_constant: float) -> None:
    reading = measure(square(error, time_constant=time_constant), "compensation_error")
    assert reading.value == pytest.approx(error, rel=0.05)


def test_it_is_the_one_of_resistances_and_capacitances() -> None:
    # 9 Mohm and 9 pF over 1 Mohm and 100 pF: first 9/109, final 1/10, time constant 0.9 Mohm · 109 pF (math)
    built = Compensation(first=9 / 109, final=1 / 10, time_constant=0.9e6 * 109e-12)
    assert built.error == pytest.approx(10 * 9 / 109 - 1)
    reading = measure(square(built.error, time_constant=built.time_constant), "compensation_error")
    assert reading.value == pytest.approx(built.error, rel=0.03)


def test_a_probe_that_is_adjusted_reads_zero_within_its_uncertainty() -> None:
    reading = measure(square(0.0, noise=0.02), "compensation_error")
    assert reading.value is not None
    assert reading.uncertainty is not None
    assert abs(reading.value) < 4 * reading.uncertainty < 0.02


def test_the_uncertainty_covers_what_noise_does() -> None:
    readings = [measure(square(-0.05, noise=0.05 + 1e-6 * n), "compensation_error") for n in range(20)]
    far = [abs((one.value or 0.0) + 0.05) for one in readings]
    assert max(far) < 0.01
    assert all(one.uncertainty is not None and one.uncertainty > 1e-4 for one in readings)


@pytest.mark.parametrize(
    "wave, told",
    [
        (Waveform.from_volts(np.ones(1000), interval=INTERVAL, name="tip"), ""),
        (Waveform.from_volts(np.tile([1.0] * 100 + [0.0] * 300, 20), interval=INTERVAL, name="tip"), "as long high"),
        (Waveform.from_volts(np.tile([1.0] * 10 + [0.0] * 10, 50), interval=INTERVAL, name="tip"), "samples per half"),
        (Waveform.from_volts([0.0] * 500 + [1.0] * 500, interval=INTERVAL, name="tip"), "edges"),
    ],
)
def test_what_is_no_square_wave_is_not_measured(wave: Waveform, told: str) -> None:
    reading = measure(wave, "compensation_error")
    assert reading.value is None
    assert told in reading.reason
