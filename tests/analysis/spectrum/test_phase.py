"""Phase and gain of two channels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.waveform import Waveform

INTERVAL = 1e-5
TIMES = np.arange(1037) * INTERVAL  # 10.37 cycles of 1 kHz


def sine(
    phase_deg: float, amplitude: float = 1.0, *, frequency: float = 1e3, name: str = "", unit: str = "V"
) -> Waveform:
    volts = amplitude * np.sin(2 * np.pi * frequency * TIMES + math.radians(phase_deg)) + 0.3
    return Waveform.from_volts(volts, interval=INTERVAL, name=name, unit=unit)


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def test_delay_of_a_lagging_channel() -> None:
    # math: 30 deg of 1 kHz are 83.333333 µs
    channels = [sine(10, 3.0), sine(-20, 6.0)]
    assert value(measure(channels, "phase_delay")) == pytest.approx(83.333333e-6, rel=1e-6)
    assert value(measure(channels, "phase")) == pytest.approx(-30, abs=1e-6)
    assert value(measure(channels, "gain")) == pytest.approx(2.0, rel=1e-9)
    assert value(measure(channels, "gain_db")) == pytest.approx(20 * math.log10(2), abs=1e-8)


def test_gain_and_phase_of_a_low_pass() -> None:
    # math: one pole at its corner, −3.0103 dB and −45 deg; driven long enough to have settled
    drive = np.sin(2 * np.pi * 1e3 * np.arange(40_000) * 1e-6)
    step = 1 - math.exp(-2 * np.pi * 1e3 * 1e-6)
    output = np.zeros(drive.size)
    for k in range(1, drive.size):
        output[k] = output[k - 1] + step * ((drive[k] + drive[k - 1]) / 2 - output[k - 1])
    channels = [Waveform.from_volts(part[20_000:], interval=1e-6) for part in (drive, output)]
    assert value(measure(channels, "gain_db")) == pytest.approx(-10 * math.log10(2), abs=0.01)
    assert value(measure(channels, "phase")) == pytest.approx(-45, abs=0.1)  # recursion of steps of 1/160 radian


def test_harmonics_do_not_move_the_phase_of_the_fundamental() -> None:
    # math: squares are late by what their fundamentals are late by; the record ends within a cycle
    turns = 1e3 * TIMES
    squares = [np.where((turns - late) % 1 < 0.5, 1.0, 0.0) for late in (0.003, 0.203)]
    waves = [Waveform.from_volts(square, interval=INTERVAL) for square in squares]
    assert value(measure(waves, "phase")) == pytest.approx(-72, abs=0.01)
    # the frequency itself is fitted over the broken cycle too
    assert value(measure(waves, "gain")) == pytest.approx(1.0, abs=1e-3)


@settings(max_examples=25)
@given(
    phase=st.floats(-179, 179),
    scale=st.sampled_from([1e-3, 1.0, 300.0]),
    offset=st.floats(-5, 5),
    start=st.floats(-1, 1),
)
def test_exchange_turns_the_sign_and_scale_offset_and_start_do_not_matter(
    phase: float, scale: float, offset: float, start: float
) -> None:
    moved = [
        Waveform.from_volts(factor * wave.values() + offset, interval=INTERVAL, start=start)
        for wave, factor in ((sine(0), scale), (sine(phase), 3 * scale))
    ]
    assert value(measure(moved, "phase")) == pytest.approx(phase, abs=1e-5)
    assert value(measure(moved[::-1], "phase")) == pytest.approx(-phase, abs=1e-5)
    assert value(measure(moved, "gain")) * value(measure(moved[::-1], "gain")) == pytest.approx(1.0, rel=1e-9)


def test_uncertainty_is_the_scatter_of_repeated_readings() -> None:
    rng = np.random.default_rng(4)
    clean = sine(0, 4.0).values()[:1000], sine(-30, 0.5).values()[:1000]
    readings = []
    for _ in range(150):
        waves = [Waveform.from_volts(part + 0.05 * rng.standard_normal(1000), interval=INTERVAL) for part in clean]
        readings.append(measure(waves, ["phase", "gain", "gain_db"], frequency=1e3))
    for name in ("phase", "gain", "gain_db"):
        scatter = np.std([value(found[name]) for found in readings])
        mean = np.mean([found[name].uncertainty for found in readings])
        assert mean == pytest.approx(scatter, rel=0.25), name  # 150 runs tell a scatter to 6 %


def test_units_of_a_ratio_are_told() -> None:
    assert measure([sine(0), sine(0, unit="A")], "gain").unit == "A/V"
    assert measure([sine(0), sine(0)], "gain").unit == "1"


def test_a_channel_without_the_frequency_is_refused() -> None:
    noise = Waveform.from_volts(np.random.default_rng(1).standard_normal(TIMES.size), interval=INTERVAL, name="open")
    reading = measure([sine(0), noise], "phase")
    assert reading.value is None
    assert "`open`" in reading.reason
    assert "well above the noise" in reading.reason


def test_noise_alone_has_a_phase_in_one_record_of_a_hundred_at_most() -> None:
    # math: the amplitude of a sine in white noise is Rayleigh distributed, and above 3 of its uncertainties with a
    # probability of e^(−9/2) = 1.1 %; 10 of 300 are exceeded once in 1000 such tests
    first = sine(0.0)
    noise = [
        Waveform.from_volts(np.random.default_rng(seed).normal(0, 1, TIMES.size), interval=INTERVAL)
        for seed in range(300)
    ]
    assert sum(measure([first, one], "phase", frequency="1 kHz").value is not None for one in noise) <= 10
