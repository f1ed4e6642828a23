"""Laws that every metric of spectra, fits, jitter, eyes, power and comparison obeys: what scales it, what does not."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.catalogue import metrics
from wavewright.analysis.measure import measure
from wavewright.waveform import Waveform

PARTS = (
    "tones", "distortion", "sinad", "sine_fit", "power_density", "band_power", "spurs", "jitter", "allan", "eye",
    "line_fit", "exponential_fit", "phase", "ellipse", "correlation", "skew", "setup_hold", "power", "ripple",
    "load_step",
)  # fmt: skip
INTERVAL = 1e-6
K = np.arange(3000)
NOISE = np.random.default_rng(20).standard_normal((2, 3000))


def wave_of(volts: np.ndarray, unit: str = "V", start: float = 0.0) -> Waveform:
    return Waveform(volts, interval=INTERVAL, start=start, unit=unit, name="signal")


def tone() -> list[Waveform]:
    turns = 2 * np.pi * 43.2 * K / 3000
    return [wave_of(np.sin(turns) + 0.1 * np.sin(2 * turns + 1) + 0.03 * np.sin(3 * turns) + 0.01 * NOISE[0])]


def two_tones(unit: str = "V") -> list[Waveform]:
    turns = 2 * np.pi * 43.2 * K / 3000
    return [*tone(), wave_of(0.7 * np.sin(turns - 0.5) + 0.01 * NOISE[1], unit)]


def clock(late: float = 0.0) -> np.ndarray:
    """Trapezoids of 40 samples whose edges wander by part of a sample."""
    wander = 0.3 * np.sin(2 * np.pi * K / 40 / 7.3)
    return np.interp((K - 3.1 - late - wander) % 40, [0, 8, 20, 28, 40], [0, 1, 1, 0, 0])


def clocks() -> list[Waveform]:
    return [wave_of(clock()), wave_of(clock(2.2))]


def data_and_clock() -> list[Waveform]:
    data = np.interp((K - 12.3) % 80, [0, 8, 40, 48, 80], [0, 1, 1, 0, 0])
    return [wave_of(data), wave_of(clock())]


def edge() -> list[Waveform]:
    return [wave_of(np.where(K < 500, 0.0, 1 - np.exp(-np.maximum(0, K - 500) / 300)))]


def step() -> list[Waveform]:
    rail = np.where(K < 500, 3.3, 3.2 - 0.3 * np.exp(-np.maximum(0, K - 500) / 200))
    load = np.where(K < 500, 0.1, 1.0)
    return [wave_of(rail, start=-500 * INTERVAL), wave_of(load, "A", start=-500 * INTERVAL)]


@dataclass(frozen=True)
class Law:
    """How a metric follows the scale of all channels, and of the time axis: exponents; 20·log10 of it for levels."""

    example: Callable[[], Sequence[Waveform]]
    gain: float = 0.0
    time: float = 0.0
    offset: float | None = 0.0  # what of an offset is added; None: it is a part of what is measured
    in_db: bool = False
    options: tuple[tuple[str, object], ...] = ()


MASK = (("mask", [[20e3, 0.2], [400e3, 0.002]]),)
LAWS = {
    "strongest_tone": Law(tone, time=-1),
    "strongest_tone_amplitude": Law(tone, gain=1),
    "switching_frequency": Law(tone, time=-1),
    "ripple": Law(tone, gain=1),
    **dict.fromkeys(["thd", "snr", "sfdr", "harmonic_level", "sinad"], Law(tone)),
    "enob": Law(tone, options=(("referred_to", "sine"),)),
    "sine_amplitude": Law(tone, gain=1),
    "sine_frequency": Law(tone, time=-1),
    "sine_phase": Law(tone),
    "sine_offset": Law(tone, gain=1, offset=1),
    "sine_residual": Law(tone, gain=1),
    "noise_density": Law(tone, gain=1, time=0.5),
    "band_rms": Law(tone, gain=1, offset=None),
    "band_power": Law(tone, gain=2, offset=None),
    **dict.fromkeys(["level_dbv", "level_dbu", "level_dbm"], Law(tone, gain=1, offset=None, in_db=True)),
    "spur_margin": Law(tone, gain=-1, in_db=True, options=MASK),
    "spurs_over_mask": Law(tone, options=(("mask", [["5 kHz", "-30 dB"], ["400 kHz", "-30 dB"]]),)),
    **dict.fromkeys(["period_jitter", "cycle_to_cycle_jitter", "time_interval_error"], Law(clocks, time=1)),
    "allan_deviation": Law(clocks),
    "bit_rate": Law(clocks, time=-1),
    "eye_height": Law(clocks, gain=1),
    "eye_width": Law(clocks, time=1),
    "slope": Law(edge, gain=1, time=-1),
    "line_residual": Law(edge, gain=1),
    "time_constant": Law(edge, time=1),
    "final_value": Law(edge, gain=1, offset=1),
    **dict.fromkeys(["phase", "gain", "gain_db", "axis_ratio", "ellipse_phase", "correlation"], Law(two_tones)),
    "phase_delay": Law(two_tones, time=1),
    "correlation_delay": Law(two_tones, time=1),
    "skew": Law(clocks, time=1),
    "setup_time": Law(data_and_clock, time=1),
    "hold_time": Law(data_and_clock, time=1),
    "real_power": Law(lambda: two_tones("A"), gain=2, offset=None),
    "apparent_power": Law(lambda: two_tones("A"), gain=2, offset=None),
    "reactive_power": Law(lambda: two_tones("A"), gain=2),
    "power_factor": Law(lambda: two_tones("A"), offset=None),
    "energy": Law(lambda: two_tones("A"), gain=2, time=1, offset=None),
    "load_step_dip": Law(step, gain=1),
    "recovery_time": Law(step, time=1, offset=None),
}
IN_TIME = {"spurs_over_mask", "spur_margin"}  # their masks stand at given frequencies
few = settings(max_examples=5)


def value(name: str, change: Callable[[Waveform], Waveform] = lambda wave: wave) -> float:
    law = LAWS[name]
    waves = [change(wave) for wave in law.example()]
    waves = waves[: min(len(waves), metrics()[name].channels[1])]
    reading = measure(waves, name, **dict(law.options))
    assert reading.value is not None, reading.reason
    return reading.value


PLAIN = {name: value(name) for name in LAWS}


def test_every_metric_of_these_parts_has_its_law() -> None:
    entered = {name for name, entry in metrics().items() if entry.compute.__module__.rpartition(".")[2] in PARTS}
    assert entered == set(LAWS)


@pytest.mark.parametrize("name", LAWS)
@few
@given(gain=st.floats(1e-3, 1e3))
def test_vertical_scale(name: str, gain: float) -> None:
    law = LAWS[name]
    moved = value(name, lambda wave: replace(wave, gain=gain))
    if law.in_db:
        assert moved == pytest.approx(PLAIN[name] + 20 * law.gain * math.log10(gain), abs=1e-6)
    else:
        assert moved == pytest.approx(gain**law.gain * PLAIN[name], rel=1e-6, abs=1e-9 * gain**law.gain)


@pytest.mark.parametrize("name", [name for name, law in LAWS.items() if law.offset is not None])
@few
@given(offset=st.floats(-100, 100))
def test_offset(name: str, offset: float) -> None:
    moved = value(name, lambda wave: replace(wave, offset=offset))
    expected = PLAIN[name] + (LAWS[name].offset or 0.0) * offset
    assert moved == pytest.approx(expected, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("name", sorted(set(LAWS) - IN_TIME))
@few
@given(stretch=st.floats(1e-6, 1e3))
def test_time_scale(name: str, stretch: float) -> None:
    moved = value(name, lambda wave: replace(wave, interval=INTERVAL * stretch, start=wave.start * stretch))
    factor = stretch ** LAWS[name].time
    assert moved == pytest.approx(factor * PLAIN[name], rel=1e-6, abs=1e-15 * factor)


@pytest.mark.parametrize("name", sorted(set(LAWS) - {"sine_phase", "load_step_dip", "recovery_time"}))
@few
@given(start=st.floats(-1, 1))
def test_when_the_record_was_taken(name: str, start: float) -> None:
    # instants 1 s from 0 are known to 1e-16 s, a part in 1e10 of an interval
    moved = value(name, lambda wave: replace(wave, start=start))
    assert moved == pytest.approx(PLAIN[name], rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("name", LAWS)
def test_codes_of_a_converter(name: str) -> None:
    def coded(wave: Waveform) -> Waveform:
        step = 2.0**-13
        return replace(wave, codes=np.round(wave.codes / step).astype(np.int32), gain=step)

    exact = value(name, lambda wave: replace(coded(wave), codes=coded(wave).codes.astype(np.float64)))
    assert value(name, coded) == pytest.approx(exact, rel=1e-6, abs=1e-9 * abs(PLAIN[name]))
