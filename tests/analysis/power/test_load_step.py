"""Load steps of rails whose response is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt, Reading
from wavewright.waveform import Floats, Waveform

INTERVAL = 1e-7
TIMES = np.arange(-1000, 9000) * INTERVAL
# 120 mV down at the step, back with a time constant of 50 µs, to a final value 15 mV lower
RAIL = np.where(TIMES < 0, 3.3, 3.285 - 0.105 * np.exp(-np.maximum(TIMES, 0) / 50e-6))
LOAD = np.where(TIMES < 0, 0.1, 1.0)


def rail(volts: Floats, start: float = TIMES[0], unit: str = "V") -> Waveform:
    return Waveform.from_volts(volts, interval=INTERVAL, start=start, name="rail", unit=unit)


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def test_dip_and_recovery_of_a_single_pole() -> None:
    dip = measure(rail(RAIL), "load_step_dip")
    assert value(dip) == pytest.approx(0.120, abs=1e-12)
    assert dip.occurrences is not None
    assert dip.occurrences.times == pytest.approx([0.0], abs=1e-12)
    assert dip.occurrences.values == pytest.approx([-0.120], abs=1e-12)
    # math: 105 mV · exp(−t/50 µs) is 1 % of 3.285 V; the last tenth is within 1 nV of the final value
    expected = 50e-6 * math.log(0.105 / 0.03285)
    assert value(measure(rail(RAIL), "recovery_time")) == pytest.approx(expected, abs=1e-9)
    narrow = value(measure(rail(RAIL), "recovery_time", band="0.1 %"))
    assert narrow == pytest.approx(50e-6 * math.log(0.105 / 0.003285), abs=1e-9)


def test_a_released_load_throws_the_rail_up() -> None:
    dip = measure(rail(6.6 - RAIL), "load_step_dip")
    assert value(dip) == pytest.approx(0.120, abs=1e-12)
    assert dip.occurrences is not None
    assert dip.occurrences.values == pytest.approx([0.120], abs=1e-12)


@given(late=st.integers(0, 5000))
def test_the_load_current_tells_when_the_step_was(late: int) -> None:
    start = TIMES[0] + late * INTERVAL - 3e-4
    waves = [rail(RAIL, start), Waveform.from_volts(LOAD, interval=INTERVAL, start=start, name="load", unit="A")]
    assert value(measure(waves, "load_step_dip")) == pytest.approx(0.120, abs=1e-9)
    alone = 50e-6 * math.log(0.105 / 0.03285)
    # the current crosses its middle half an interval before the first sample after the step
    assert value(measure(waves, "recovery_time")) == pytest.approx(alone + INTERVAL / 2, abs=1e-9)
    given_time = measure(waves[0], "load_step_dip", step=start + 1e-4)
    assert value(given_time) == pytest.approx(0.120, abs=1e-9)


@given(gain=st.sampled_from([1e-3, 2.0, 1e3]))
def test_dip_scales_and_recovery_does_not(gain: float) -> None:
    assert value(measure(rail(gain * RAIL), "load_step_dip")) == pytest.approx(0.120 * gain, rel=1e-9)
    plain = value(measure(rail(RAIL), "recovery_time"))
    assert value(measure(rail(gain * RAIL), "recovery_time")) == pytest.approx(plain, rel=1e-6)


def test_noise_is_told() -> None:
    noise = np.random.default_rng(1).normal(0, 5e-3, RAIL.size)
    reading = measure(rail(RAIL + noise), "load_step_dip")
    assert value(reading) == pytest.approx(0.120, abs=4 * 5e-3)
    assert reading.uncertainty == pytest.approx(5e-3, rel=0.1)
    assert reading.doubts == ()
    lost = measure(rail(3.3 + 40 * noise), "load_step_dip")
    assert lost.doubts == (Doubt.NOISY,)


def test_a_rail_that_stays_needs_no_time() -> None:
    quiet = 3.3 + 1e-4 * np.sin(TIMES * 1e6)
    assert value(measure(rail(quiet), "recovery_time")) == 0.0


def test_what_cannot_be_told_is_refused() -> None:
    swinging = np.where(TIMES < 0, 3.3, 3.3 + 0.2 * np.sin(TIMES * 1e5))
    assert "up to the last tenth" in measure(rail(swinging), "recovery_time").reason
    assert "0 samples before" in measure(rail(RAIL, start=0.0), "load_step_dip").reason
    assert "5 after the step" in measure(rail(RAIL), "load_step_dip", step=float(TIMES[-5])).reason
    flat = Waveform.from_volts(np.full(RAIL.size, 0.1), interval=INTERVAL, start=TIMES[0], name="load", unit="A")
    assert measure([rail(RAIL), flat], "load_step_dip").value is None
    zero = np.where(TIMES < 0, 1.0, 0.0)
    assert "final value 0 V" in measure(rail(zero), "recovery_time").reason
