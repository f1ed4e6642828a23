"""Laws that every metric of the catalogue obeys: what must not change it, and what must scale it.

All of them are math: a metric in V follows a gain, one in s the sample interval, and none may depend on how the same
volts are stored or on when the record was taken. The tables say which metric belongs where; a metric in none of them
must not change.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.catalogue import Metric, metrics
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.waveform import Waveform

INTERVAL = 1e-6
few = settings(max_examples=3)

# --- records ---------------------------------------------------------------------------------------------------------


def record(codes: Any, *, name: str, unit: str = "V", start: float = -50e-6) -> Waveform:
    return Waveform(np.round(codes).astype(np.int8), gain=0.05, interval=INTERVAL, name=name, unit=unit, start=start)


def pulses(delay: int = 0) -> list[Waveform]:
    """Trapezoids with overshoot and undershoot, of different widths, and some codes of noise."""
    random = np.random.default_rng(7)
    parts = [np.full(30 + delay, -40)]
    for number in range(14):
        edge = np.linspace(-40, 80, 8)[1:-1]
        parts += [edge, [96, 84, 76, 81], np.full(40 + 3 * (number % 5), 80), edge[::-1], [-55, -47, -38]]
        parts += [np.full(50 + 2 * (number % 3), -40), [-46, -44]]
    codes = np.concatenate([*parts, np.full(40 - delay, -40)])
    return [record(codes + random.integers(-1, 2, codes.size), name="gate")]


def bursts() -> list[Waveform]:
    gate = pulses()[0]
    pause = np.full(900, -40, dtype=np.int8)
    return [replace(gate, codes=np.concatenate([gate.codes, pause, gate.codes, pause, gate.codes]))]


def two_pulses() -> list[Waveform]:
    return [*pulses(), replace(pulses(7)[0], name="later")]


def bits() -> list[Waveform]:
    """A line without return to zero, 20 samples per bit, edges of 4 samples."""
    random = np.random.default_rng(11)
    ideal = np.repeat(random.integers(0, 2, 80) * 120.0 - 60, 20)
    codes = np.convolve(np.pad(ideal, (8, 8), mode="edge"), np.full(4, 0.25), mode="valid")
    return [record(codes + random.integers(-1, 2, codes.size), name="line")]


def clock() -> list[Waveform]:
    """A clock of 240 periods of 16 samples, each edge late by up to half a sample."""
    late = np.random.default_rng(19).uniform(-0.5, 0.5, 480)
    changes = 20.3 + 8 * np.arange(480) + late
    distance = np.arange(8 * 482 + 20)[:, None] - changes
    codes = 120 * np.sum(np.where(np.arange(480) % 2, -1, 1) * np.clip(distance / 4 + 0.5, 0, 1), axis=1) - 60
    return [record(codes, name="clock")]


def sine(turns: float = 0.012329, phase: float = 0.4, size: int = 4096) -> np.ndarray:
    random = np.random.default_rng(13)
    angle = 2 * math.pi * turns * np.arange(size) + phase
    return 90 * np.sin(angle) + 6 * np.sin(2 * angle) + 4 * np.sin(3 * angle) + random.normal(0, 0.8, size)


def one_sine() -> list[Waveform]:
    return [record(sine(), name="drive")]


def two_sines() -> list[Waveform]:
    return [record(sine(), name="drive"), record(0.6 * sine(phase=-0.9), name="output")]


def power() -> list[Waveform]:
    return [record(sine(), name="mains"), record(0.5 * sine(phase=-0.3), name="load", unit="A")]


def decay() -> list[Waveform]:
    places = np.arange(3000) - 300.0
    codes = np.where(places < 0, -80, 100 - 180 * np.exp(-np.maximum(places, 0) / 250))
    return [record(codes + np.random.default_rng(17).integers(-1, 2, codes.size), name="gate")]


def rail() -> list[Waveform]:
    """A rail that dips at the load step 50 samples in and recovers; steps of one code are 0.6 % of it."""
    places = np.arange(3000) - 50.0
    codes = np.where(places < 0, 80, 80 - 40 * np.exp(-np.maximum(places, 0) / 150))
    return [record(codes, name="rail")]


def square() -> list[Waveform]:
    """A square wave through a divider that is not adjusted."""
    places = np.arange(4000)
    since, sign = (places + 100) % 400, np.where((places + 100) // 400 % 2 == 0, 1, -1)
    codes = sign * (90 - 12 * np.exp(-since / 80))
    return [record(codes + np.random.default_rng(19).integers(-1, 2, codes.size), name="tip")]


RECORDS: dict[str, Callable[[], list[Waveform]]] = {
    **dict.fromkeys(["bit_rate", "eye_height", "eye_width"], bits),
    "burst_width": bursts,
    "compensation_error": square,
    **dict.fromkeys(["delay", "skew", "setup_time", "hold_time"], two_pulses),
    **dict.fromkeys(
        ["axis_ratio", "ellipse_phase", "gain", "gain_db", "phase", "phase_delay", "correlation", "correlation_delay"],
        two_sines,
    ),
    **dict.fromkeys(["apparent_power", "real_power", "reactive_power", "power_factor", "energy"], power),
    **dict.fromkeys(
        [
            "band_power", "band_rms", "enob", "harmonic_level", "level_dbm", "level_dbu", "level_dbv", "noise_density",
            "ripple", "sfdr", "sinad", "sine_amplitude", "sine_frequency", "sine_offset", "sine_phase", "sine_residual",
            "snr", "spur_margin", "spurs_over_mask", "strongest_tone", "strongest_tone_amplitude", "thd",
            "switching_frequency",
        ],
        one_sine,
    ),
    **dict.fromkeys(["time_constant", "final_value", "slope", "line_residual"], decay),
    **dict.fromkeys(["load_step_dip", "recovery_time"], rail),
    **dict.fromkeys(["total_jitter", "random_jitter", "deterministic_jitter", "phase_noise", "phase_jitter"], clock),
}  # fmt: skip

# --- tables ----------------------------------------------------------------------------------------------------------

WITH_GAIN_SQUARED = {"apparent_power", "band_power", "energy", "reactive_power", "real_power"}
DENSITIES_IN_DB = {"phase_noise"}  # per hertz: 10·log10 of the sample interval is added
LEVELS_IN_DB = {"level_dbm", "level_dbu", "level_dbv"}  # 20·log10 of the gain is added
MASKS = {"spur_margin", "spurs_over_mask"}  # stated in V
MOVED_BY_AN_OFFSET = {
    "cycle_mean", "final_value", "high_level", "low_level", "maximum", "mean", "minimum", "sine_offset", "state_level",
}  # fmt: skip
RECKONED_FROM_ZERO = {
    # rms and mean magnitudes, powers, what holds the mean with its square, a band in parts of the final value
    "apparent_power", "band_power", "band_rms", "crest_factor", "cycle_rms", "energy", "form_factor", "level_dbm",
    "level_dbu", "level_dbv", "power_factor", "real_power", "recovery_time", "rectified_mean", "rms",
}  # fmt: skip
WITH_TIME = {"s": 1.0, "Hz": -1.0, "bit/s": -1.0, "V/s": -1.0, "J": 1.0, "V/√Hz": 0.5}  # power of the interval, by unit
AT_A_TIME = {"sine_phase"}  # it is a phase at time 0 of the axis, and moves with it
TRIGGERED = {"load_step_dip", "recovery_time"}  # the step is at time 0 unless it is said

NAMES = sorted(name for name, entry in metrics().items() if entry.compute.__module__.startswith("wavewright."))


def options(name: str, *, gain: float = 1.0, stretch: float = 1.0, moved: float = 0.0) -> dict[str, Any]:
    if name in MASKS:
        rows = [(1e3, 6.0), (20e3, 6.0), (20.1e3, 0.05), (450e3, 0.05)]
        return {"mask": [[f"{frequency / stretch!r} Hz", f"{gain * level!r} V"] for frequency, level in rows]}
    if name == "phase_noise":
        return {"offset": 12e3 / stretch}
    if name == "phase_jitter":
        return {"lowest": 5e3 / stretch, "highest": 25e3 / stretch}
    if name == "time_between":
        return {"from": "rising 50 %", "to": "falling 50 %"}
    if name == "enob":
        return {"referred_to": "sine"}  # as far as the record goes, the converter's range is not known
    return {"step": moved} if name in TRIGGERED and moved else {}


def measured(name: str, waves: list[Waveform], **how: Any) -> Reading:
    return measure(waves if metrics()[name].channels[1] > 1 else waves[0], name, **options(name, **how))


def records(name: str) -> list[Waveform]:
    return RECORDS.get(name, pulses)()


PLAIN = {name: measured(name, records(name)) for name in NAMES}


def close(name: str, reading: Reading, value: float, *, rel: float, scale: float = 1.0) -> bool:
    """Whether a reading is a value, to a part of the value or of what the record spans, in its unit."""
    assert reading.value is not None, (name, reading.reason)
    return math.isclose(reading.value, value, rel_tol=rel, abs_tol=rel * scale)


def test_every_metric_has_a_number_here() -> None:
    assert not {name: reading.reason for name, reading in PLAIN.items() if reading.value is None}


def vertical(entry: Metric, gain: float) -> float:
    if entry.name in WITH_GAIN_SQUARED:
        return gain**2
    return gain if entry.unit in {"", "V/s", "V/√Hz"} else 1.0


@pytest.mark.parametrize("name", NAMES)
@few
@given(gain=st.floats(1e-6, 1e3))
def test_a_gain_scales_what_is_in_volts_and_nothing_else(name: str, gain: float) -> None:
    entry, plain = metrics()[name], PLAIN[name]
    reading = measured(name, [replace(wave, gain=gain * wave.gain) for wave in records(name)], gain=gain)
    factor = vertical(entry, gain)
    added = 20 * math.log10(gain) if name in LEVELS_IN_DB else 0.0
    assert plain.value is not None
    assert close(name, reading, factor * plain.value + added, rel=1e-7, scale=factor)
    assert plain.uncertainty is None or math.isclose(
        reading.uncertainty or 0.0, factor * plain.uncertainty, rel_tol=1e-5, abs_tol=1e-9 * factor
    )


@pytest.mark.parametrize("name", [name for name in NAMES if name not in RECKONED_FROM_ZERO])
@few
@given(offset=st.floats(-100, 100))
def test_an_offset_moves_levels_and_nothing_else(name: str, offset: float) -> None:
    plain = PLAIN[name]
    reading = measured(name, [replace(wave, offset=wave.offset + offset) for wave in records(name)])
    added = offset if name in MOVED_BY_AN_OFFSET else 0.0
    assert plain.value is not None
    assert close(name, reading, plain.value + added, rel=1e-7, scale=1.0)


@pytest.mark.parametrize("name", NAMES)
@few
@given(stretch=st.floats(1e-3, 1e3))
def test_the_sample_interval_scales_times_and_nothing_else(name: str, stretch: float) -> None:
    plain = PLAIN[name]
    waves = [replace(w, interval=stretch * w.interval, start=stretch * w.start) for w in records(name)]
    reading = measured(name, waves, stretch=stretch)
    factor = stretch ** WITH_TIME.get(metrics()[name].unit, 0.0)
    added = 10 * math.log10(stretch) if name in DENSITIES_IN_DB else 0.0
    assert plain.value is not None
    assert close(name, reading, factor * plain.value + added, rel=1e-7, scale=1e-6 * factor)
    assert plain.uncertainty is None or math.isclose(
        reading.uncertainty or 0.0, factor * plain.uncertainty, rel_tol=1e-5, abs_tol=1e-12 * factor
    )


@pytest.mark.parametrize("name", [name for name in NAMES if name not in AT_A_TIME])
@pytest.mark.parametrize("stretch, start", [(1.0, 1.764e9), (1e-3, 1.7e9), (1.0, -1e9), (1.0, 12.5)])
def test_nothing_depends_on_when_the_record_was_taken(name: str, stretch: float, start: float) -> None:
    # 1.764e9 s: seconds since 1970; a float64 there is known to 0.24 us, a quarter of the interval or 240 of them
    plain = measured(name, [replace(w, interval=stretch * w.interval, start=0.0) for w in records(name)],
                     stretch=stretch, moved=50.5e-6 * stretch)  # fmt: skip
    waves = [replace(w, interval=stretch * w.interval, start=start) for w in records(name)]
    if name in TRIGGERED and stretch < 1:
        pytest.skip("a step is stated on the axis, and cannot be stated that well there")
    reading = measured(name, waves, stretch=stretch, moved=start + 50.5e-6 * stretch)
    assert plain.value is not None
    slack = 0.3e-6 if name in TRIGGERED and abs(start) > 100 else 0.0  # of the step's own instant
    assert close(name, reading, plain.value, rel=1e-9, scale=stretch) or abs(reading.value - plain.value) <= slack
    assert reading.doubts == plain.doubts
    if plain.uncertainty is not None:
        assert reading.uncertainty == pytest.approx(plain.uncertainty, rel=1e-6, abs=1e-15)


STORED = ["int16", "int32", "int64", ">i2", "float32", "float64", ">f8", "uint8", "uint16", "uint64"]


@pytest.mark.parametrize("stored", STORED)
@pytest.mark.parametrize("name", NAMES)
def test_how_the_samples_are_stored_does_not_matter(name: str, stored: str) -> None:
    plain = PLAIN[name]
    waves = []
    for wave in records(name):
        codes, offset = wave.codes.astype(int), wave.offset
        if stored.startswith("u"):
            codes, offset = codes + 128, offset - 128 * wave.gain  # offset binary
        waves.append(replace(wave, codes=codes.astype(stored), offset=offset))
    reading = measured(name, waves)
    assert plain.value is not None
    # spectra of 8 and 16 bits are computed in single precision
    assert close(name, reading, plain.value, rel=2e-4 if RECORDS.get(name) in {one_sine} else 1e-6, scale=1.0)


def test_every_metric_stands_in_a_table_or_must_not_change() -> None:
    tables = {
        *RECORDS, *WITH_GAIN_SQUARED, *LEVELS_IN_DB, *MASKS, *MOVED_BY_AN_OFFSET, *RECKONED_FROM_ZERO, *AT_A_TIME,
        *TRIGGERED, *DENSITIES_IN_DB,
    }  # fmt: skip
    assert tables <= set(NAMES)
