"""Exponential fits of edges with one pole."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.fitting.exponential_fit import fit_exponential
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.waveform import Floats, Waveform

TIMES = np.arange(-1000, 12_000) * 1e-6
EDGE = np.where(TIMES >= 0, 5 * (1 - np.exp(-np.maximum(TIMES, 0) / 1e-3)), 0.0)


def wave_of(volts: Floats, interval: float = 1e-6, start: float = -1e-3) -> Waveform:
    return Waveform.from_volts(volts, interval=interval, start=start, name="reset")


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def test_time_constant_of_a_single_pole() -> None:
    # math: 5·(1 − exp(−t/τ)) V, τ = 1 ms
    readings = measure(wave_of(EDGE), ["time_constant", "final_value"])
    assert value(readings["time_constant"]) == pytest.approx(1e-3, rel=1e-9)
    assert value(readings["final_value"]) == pytest.approx(5.0, rel=1e-9)
    assert readings["time_constant"].doubts == ()
    # the rise time of the same edge is ln 9 time constants
    assert value(measure(wave_of(EDGE), "rise_time")) == pytest.approx(math.log(9) * 1e-3, rel=1e-2)


def test_agrees_with_scipy_on_a_noisy_record() -> None:
    # source: scipy.optimize.curve_fit, values and standard deviations
    noisy = EDGE + 0.05 * np.random.default_rng(1).standard_normal(EDGE.size)

    def model(t: Floats, final: float, height: float, tau: float) -> Floats:
        return final + height * np.exp(-t / tau)

    part = slice(1000, None)
    found, spread = scipy.optimize.curve_fit(model, TIMES[part], noisy[part], p0=[5, -5, 1e-3])
    fit = fit_exponential(Survey(wave_of(noisy)), after=0.0)
    assert [fit.final, fit.height, fit.time_constant] == pytest.approx(found.tolist(), rel=1e-6)
    deviations = np.sqrt(np.diag(spread))
    uncertainties = [fit.final_uncertainty, fit.time_constant_uncertainty]
    assert uncertainties == pytest.approx([deviations[0], deviations[2]], rel=1e-3)
    assert fit.residual_rms == pytest.approx(0.05, rel=0.02)


def test_groups_of_samples_falsify_nothing() -> None:
    # 120 000 samples are averaged in groups of 8
    times = np.arange(120_000) * 1e-7
    fit = fit_exponential(Survey(wave_of(2 + 3 * np.exp(-times / 1e-3), interval=1e-7, start=0.0)), after=0.0)
    assert [fit.time_constant, fit.final, fit.height] == pytest.approx([1e-3, 2.0, 3.0], rel=1e-9)


def test_a_short_stretch_says_that_it_has_not_settled() -> None:
    reading = measure(wave_of(EDGE), "time_constant", after="0 s", until="2 ms")
    assert value(reading) == pytest.approx(1e-3, rel=1e-6)
    assert reading.doubts == (Doubt.NOT_SETTLED,)


def test_the_fit_ends_before_the_next_transition() -> None:
    # math: a pole driven by a square of half period 8 τ
    times = np.arange(0, 0.032, 1e-6)
    drive_is_high = (times // 0.008).astype(int) % 2 == 1
    volts = np.zeros(times.size)
    for k in range(1, times.size):
        target = 5.0 if drive_is_high[k] else 0.0
        volts[k] = target + (volts[k - 1] - target) * math.exp(-1e-3)
    assert value(measure(wave_of(volts), "time_constant")) == pytest.approx(1e-3, rel=1e-4)
    assert value(measure(wave_of(5 - volts), "time_constant")) == pytest.approx(1e-3, rel=1e-4)


@settings(max_examples=25)
@given(
    tau=st.floats(2e-4, 2e-3),
    gain=st.sampled_from([1e-3, -2.0, 50.0]),
    offset=st.floats(-10, 10),
    start=st.floats(-1, 1),
)
def test_knows_neither_scale_nor_start(tau: float, gain: float, offset: float, start: float) -> None:
    codes = np.concatenate([np.zeros(50), 1 - np.exp(-np.arange(1, 2000) * 5e-6 / tau)])
    wave = Waveform(codes, gain=gain, offset=offset, interval=5e-6, start=start)
    assert value(measure(wave, "time_constant")) == pytest.approx(tau, rel=1e-6)
    assert value(measure(wave, "final_value")) == pytest.approx(offset + gain, abs=1e-6 * abs(gain))


@pytest.mark.parametrize(
    "volts, reason",
    [
        (np.full(100, 2.0), "constant"),
        (np.concatenate([[0.0], np.ones(99)]), "a step fits"),
        (np.repeat([0.0, 1.0], 50), "a straight line fits"),
        (np.arange(400.0), "a straight line fits"),
        (EDGE[1000:1005], "valid samples"),
    ],
)
def test_what_is_no_exponential_is_refused(volts: Floats, reason: str) -> None:
    reading = measure(wave_of(volts), "time_constant", after="-1 s")
    assert reading.value is None
    assert reason in reading.reason
