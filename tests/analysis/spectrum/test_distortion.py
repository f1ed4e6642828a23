"""Distortion against Fourier series and records whose harmonics are known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.distortion import take_apart
from wavewright.waveform import Waveform

N = 65536
M = 16384  # samples of one period; aliases of what it cannot hold are below 1e-4
TURN = (np.arange(M) + 0.5) / M
SQUARE = np.where(TURN < 0.5, 1.0, -1.0)
TRIANGLE = 1 - 4 * np.abs(TURN - 0.5)
SAWTOOTH = 2 * TURN - 1


def wave_of(volts: np.ndarray) -> Waveform:
    return Waveform.from_volts(volts, interval=1 / len(volts), name="signal")


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def tones(*parts: tuple[float, float], size: int = 4096) -> np.ndarray:
    k = np.arange(size)
    return sum(amplitude * np.sin(2 * np.pi * cycles * k / size + cycles) for cycles, amplitude in parts)  # type: ignore[return-value]


# source of all rows: math (Fourier series)
WHOLE_SERIES = [
    ("square", SQUARE, math.sqrt(math.pi**2 / 8 - 1), 0.435236),
    ("triangle", TRIANGLE, math.sqrt(math.pi**4 / 96 - 1), 0.120273),
    ("sawtooth", SAWTOOTH, math.sqrt(math.pi**2 / 6 - 1), 0.626157),
]


@pytest.mark.parametrize("shape, volts, of_fundamental, of_total", WHOLE_SERIES, ids=[row[0] for row in WHOLE_SERIES])
def test_thd_with_all_harmonics(shape: str, volts: np.ndarray, of_fundamental: float, of_total: float) -> None:
    options = {"harmonics": M // 2 - 1, "window": "rectangular"}
    # aliases of the harmonics that do not fit make 0.01 percentage points
    assert value(measure(wave_of(volts), "thd", **options)) == pytest.approx(of_fundamental, abs=1e-4)
    assert value(measure(wave_of(volts), "thd", relative_to="total", **options)) == pytest.approx(of_total, abs=1e-4)


def test_a_square_of_64_samples_holds_less() -> None:
    volts = np.where(np.arange(64) < 32, 1.0, -1.0)
    reading = measure(wave_of(volts), "thd", harmonics=32, window="rectangular")
    assert value(reading) == pytest.approx(0.482400, abs=1e-6)  # math: finite sum of 1/sin²


# source: math, partial sums of the Fourier series
PARTIAL_SERIES = [
    ("square", SQUARE, 5, 0.388730),
    ("square", SQUARE, 9, 0.428795),
    ("square", SQUARE, 21, 0.459335),
    ("sawtooth", SAWTOOTH, 5, 0.680890),
    ("sawtooth", SAWTOOTH, 10, 0.741463),
    ("triangle", TRIANGLE, 5, 0.118092),
]


@pytest.mark.parametrize("shape, volts, harmonics, expected", PARTIAL_SERIES)
def test_thd_to_a_highest_harmonic(shape: str, volts: np.ndarray, harmonics: int, expected: float) -> None:
    reading = measure(wave_of(volts), "thd", harmonics=harmonics, window="rectangular")
    assert value(reading) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    "clip, expected", [(0.9, 0.042199), (0.8, 0.089786), (math.sqrt(0.5), 0.134196), (0.5, 0.232938)]
)
def test_thd_of_a_clipped_sine(clip: float, expected: float) -> None:
    # source: math, integrals over a period
    volts = np.clip(np.sin(2 * np.pi * TURN), -clip, clip)
    reading = measure(wave_of(volts), "thd", harmonics=M // 2 - 1, window="rectangular")
    assert value(reading) == pytest.approx(expected, abs=1e-4)
    fundamental = 2 / math.pi * (math.asin(clip) + clip * math.sqrt(1 - clip**2))
    parts = take_apart(Survey(wave_of(volts)), window="rectangular")
    assert math.sqrt(2 * parts.fundamental_square) == pytest.approx(fundamental, rel=1e-6)
    # 40.37 cycles, which no line of the spectrum meets; 150 harmonics hold all but 1e-4 of it
    many = np.clip(np.sin(2 * np.pi * 40.37 * np.arange(N) / N), -clip, clip)
    assert value(measure(wave_of(many), "thd", harmonics=150)) == pytest.approx(expected, abs=3e-4)


@pytest.mark.parametrize("cycles", [100.0, 100.37])
def test_thd_of_two_harmonics(cycles: float) -> None:
    # math: √(0.03² + 0.04²); between lines the window's side lobes, 92 dB down, are the limit
    wave = wave_of(tones((cycles, 1.0), (2 * cycles, 0.03), (3 * cycles, 0.04)))
    assert value(measure(wave, "thd")) == pytest.approx(0.05, rel=1e-12 if cycles == 100 else 1e-4)
    assert value(measure(wave, "harmonic_level")) == pytest.approx(20 * math.log10(0.03), abs=1e-3)
    assert value(measure(wave, "harmonic_level", harmonic=3)) == pytest.approx(20 * math.log10(0.04), abs=1e-3)


def test_harmonics_above_half_the_rate_are_found_where_they_fold_to() -> None:
    # math: 3 · 1500 of 4096 samples is seen at 404
    wave = wave_of(tones((1500.0, 1.0), (4500.0, 0.01)))
    assert value(measure(wave, "thd")) == pytest.approx(0.01, rel=1e-6)


def test_snr_and_sfdr_of_known_noise_and_lines() -> None:
    rng = np.random.default_rng(60)
    noise = rng.standard_normal(N) * 1e-3 / math.sqrt(2)
    wave = wave_of(tones((1000.4, 1.0), (2000.8, 1e-2), (7777.3, 3e-3), size=N) + noise)
    # math: the stray line at 7777 counts as noise, the harmonic does not
    expected = 10 * math.log10(1.0 / (3e-3**2 + 1e-6))
    reading = measure(wave, "snr")
    assert value(reading) == pytest.approx(expected, abs=0.05)  # noise in 65536 samples scatters by 0.02 dB
    assert value(measure(wave, "sfdr")) == pytest.approx(40.0, abs=0.02)


@pytest.mark.parametrize("name", ["sinad", "enob"])
def test_uncertainty_of_what_a_fit_leaves_is_its_scatter(name: str) -> None:
    rng = np.random.default_rng(63)
    sine = 3 * tones((50.3, 1.0), size=512)
    how = {"referred_to": "sine"} if name == "enob" else {}
    readings = [measure(wave_of(sine + 0.1 * rng.standard_normal(512)), name, **how) for _ in range(150)]
    scatter = np.std([value(reading) for reading in readings])
    # 150 runs tell a scatter to 6 %
    assert np.mean([reading.uncertainty for reading in readings]) == pytest.approx(scatter, rel=0.2)


@pytest.mark.parametrize("name, expected", [("snr", 30.97), ("sfdr", 40.0), ("harmonic_level", -40.0), ("thd", 0.01)])
def test_uncertainty_is_the_scatter_of_repeated_readings(name: str, expected: float) -> None:
    rng = np.random.default_rng(61)
    readings = []
    for trial in range(150):
        cycles = 100 + trial / 150
        volts = tones((cycles, 1.0), (2 * cycles, 0.01)) + 0.02 * rng.standard_normal(4096)
        options = {"harmonics": 2} if name in {"snr", "thd"} else {}
        readings.append(measure(wave_of(volts), name, **options))
    scatter = np.std([reading.value for reading in readings])
    # 150 runs tell a scatter to 6 %; a line of 10 deviations is lifted by the noise in its lobe
    assert np.mean([reading.uncertainty for reading in readings]) == pytest.approx(scatter, rel=0.3)
    assert np.mean([value(reading) for reading in readings]) == pytest.approx(expected, rel=0.03)


def test_noise_that_lifts_thd_is_in_its_uncertainty() -> None:
    rng = np.random.default_rng(62)
    volts = tones((100.3, 1.0), (200.6, 0.01)) + 0.02 * rng.standard_normal(4096)
    reading = measure(wave_of(volts), "thd", harmonics=20)
    assert value(reading) > 0.011  # 19 lobes of noise on top of 0.01
    assert reading.uncertainty is not None
    assert abs(value(reading) - 0.01) < 2 * reading.uncertainty


@pytest.mark.parametrize("bits, expected", [(6, 37.951), (8, 49.987), (10, 62.005), (12, 74.028)])
def test_sinad_of_an_ideal_converter(bits: int, expected: float) -> None:
    # math: round() of a full-scale sine, 1021 cycles in 65536 samples; deterministic
    codes = np.round((2 ** (bits - 1) - 0.5) * np.sin(2 * np.pi * 1021 * np.arange(N) / N + 0.1) - 0.5)
    wave = Waveform(codes.astype(np.int16), interval=1 / N)
    assert value(measure(wave, "sinad", frequency=1021.0)) == pytest.approx(expected, abs=0.01)
    assert value(measure(wave, "sinad")) == pytest.approx(expected, abs=0.01)
    # math: 6.0206 N + 1.7609 dB; a sine's turning points make the error not quite uniform
    assert value(measure(wave, "sinad")) == pytest.approx(20 * math.log10(2) * bits + 10 * math.log10(1.5), abs=0.2)
    assert value(measure(wave, "enob", referred_to="sine")) == pytest.approx(bits, abs=0.04)
    converter = replace(wave, code_range=(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1))
    assert value(measure(converter, "enob")) == pytest.approx(bits, abs=0.04)  # of its own range, the default


def test_powers_of_noise_and_distortion_add() -> None:
    # math: 60 dB of each make 56.98970 dB
    rng = np.random.default_rng(64)
    noise = rng.standard_normal(N)
    noise *= 1e-3 / math.sqrt(2) / noise.std()
    wave = wave_of(tones((1000.0, 1.0), (2000.0, 1e-3), size=N) + noise)
    assert value(measure(wave, "sinad")) == pytest.approx(56.98970, abs=0.02)
    assert value(measure(wave, "snr")) == pytest.approx(60.0, abs=0.05)
    assert value(measure(wave, "thd")) == pytest.approx(1e-3, rel=0.02)


def test_sinad_of_an_exact_record() -> None:
    # math: residual 0.01 of the sine
    k = np.arange(1000)
    wave = wave_of(np.sin(2 * np.pi * 7 * k / 1000) + 0.01 * np.sin(2 * np.pi * 21 * k / 1000))
    assert value(measure(wave, "sinad", frequency=7.0)) == pytest.approx(40.0, abs=1e-9)


@pytest.mark.parametrize("sinad_db, bits", [(50, 8.0123), (62, 10.0055), (74, 11.9987)])
def test_effective_bits_from_sinad(sinad_db: float, bits: float) -> None:
    # math: (SINAD − 10·log10(1.5)) / (20·log10(2)); IEEE 1241 rounds to 1.76 and 6.02 (from memory, not verified)
    k = np.arange(1000)
    residual = 10 ** (-sinad_db / 20) * np.sin(2 * np.pi * 210 * k / 1000)
    wave = wave_of(np.sin(2 * np.pi * 70 * k / 1000) + residual)
    assert value(measure(wave, "enob", frequency=70.0, referred_to="sine")) == pytest.approx(bits, abs=1e-4)


def test_effective_bits_two_ways() -> None:
    # math; the record is that of the four-parameter fit, round(100 cos(2π·61.7 k/1000 − 0.7) + 10)
    codes = np.round(100 * np.cos(2 * np.pi * 61.7 * np.arange(32) / 1000 - 0.7) + 10).astype(np.int8)
    wave = Waveform(codes, interval=1e-3, code_range=(-128, 127))
    assert value(measure(wave, "sinad")) == pytest.approx(47.682505, abs=1e-5)
    # 7.628323 with the rounded constants 1.76 and 6.02
    assert (value(measure(wave, "sinad")) - 1.76) / 6.02 == pytest.approx(7.628323, abs=1e-5)
    of_sine = value(measure(wave, "enob", referred_to="sine"))
    for options in ({}, {"referred_to": "full_scale"}, {"referred_to": "full_scale", "full_scale": "256 V"}):
        of_range = value(measure(wave, "enob", **options))
        assert of_range == pytest.approx(7.983688, abs=1e-5)
        assert of_range - of_sine == pytest.approx(math.log2(128 / 99.9908099), abs=1e-7)
    unknown = measure(Waveform(codes, interval=1e-3), "enob", referred_to="full_scale")
    assert "converter's range is not known" in unknown.reason


@pytest.mark.parametrize("frequency, jitter, expected", [(1e6, 1e-9, 44.0364), (12e6, 50e-12, 48.4734)])
def test_jitter_limits_the_snr(frequency: float, jitter: float, expected: float) -> None:
    # math, first order: −20·log10(2πf·t)
    rng = np.random.default_rng(67)
    times = np.arange(2**17) / 250e6 + jitter * rng.standard_normal(2**17)
    wave = Waveform.from_volts(np.sin(2 * np.pi * frequency * times), interval=4e-9)
    assert value(measure(wave, "sinad")) == pytest.approx(expected, abs=0.06)
    assert value(measure(wave, "snr")) == pytest.approx(expected, abs=0.08)


@given(gain=st.floats(1e-3, 1e3), offset=st.floats(-10, 10), interval=st.floats(1e-9, 1), start=st.floats(-1, 1))
def test_ratios_know_neither_scale_nor_time(gain: float, offset: float, interval: float, start: float) -> None:
    rng = np.random.default_rng(1)
    volts = tones((50.3, 1.0), (100.6, 0.1), size=1024) + 0.03 * rng.standard_normal(1024)
    names = ["thd", "snr", "sinad", "sfdr", "enob", "harmonic_level"]
    plain = measure(wave_of(volts), names, referred_to="sine")
    elsewhere = Waveform.from_volts(gain * volts + offset, interval=interval, start=start)
    moved = measure(elsewhere, names, referred_to="sine")
    for name in names:
        assert value(moved[name]) == pytest.approx(value(plain[name]), rel=1e-6), name


def test_a_record_too_short_for_the_window_is_refused() -> None:
    reading = measure(wave_of(tones((5.0, 1.0))), "thd")
    assert "5 cycles in 4096 samples" in reading.reason
    assert "window: rectangular" in reading.reason
    assert value(measure(wave_of(tones((5.0, 1.0), (10.0, 0.1))), "thd", window="rectangular")) == pytest.approx(0.1)


def test_harmonics_that_may_be_noise_are_doubted() -> None:
    rng = np.random.default_rng(1)
    wave = wave_of(tones((100.3, 1.0)) + 0.01 * rng.standard_normal(4096))
    assert Doubt.NOISY in measure(wave, "thd").doubts
    assert Doubt.NOISY in measure(wave, "harmonic_level").doubts or measure(wave, "harmonic_level").uncertainty > 1  # type: ignore[operator]


def test_a_fundamental_alone_has_no_spurious_free_range() -> None:
    # math: the Fourier series of 0, 1, 0, -1 over whole periods has one line, and every other is 0 exactly
    reading = measure(Waveform(np.tile(np.array([0, 1, 0, -1], np.int8), 64), interval=1e-3, name="pure"), "sfdr",
                      window="rectangular")  # fmt: skip
    assert reading.value is None
    assert "no spectral component besides the fundamental" in reading.reason
