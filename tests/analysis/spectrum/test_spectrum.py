"""Amplitude spectra against Fourier series, Parseval's theorem and SciPy's periodogram."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy
import scipy.io.wavfile
import scipy.signal
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.power_density import power_density
from wavewright.analysis.spectrum.spectrum import amplitude_spectrum, centred
from wavewright.analysis.spectrum.windows import WINDOWS, WindowName
from wavewright.errors import NotMeasurable
from wavewright.waveform import Waveform

N = 65536
TURN = np.arange(N) / N
ODD = np.array([1, 3, 5, 7])
ALL = np.array([1, 2, 3, 4, 5])
HALF_WAVE = np.array([0, 1, 2, 4]), np.array([1 / math.pi, 0.5, 0.212206591, 0.042441318])
FULL_WAVE = np.array([0, 2, 4]), np.array([0.636619772, 0.424413182, 0.084882636])


def survey_of(volts: object, interval: float = 1e-3, start: float = 0.0) -> Survey:
    return Survey(Waveform.from_volts(volts, interval=interval, start=start, name="signal"))  # type: ignore[arg-type]


def pulse_series(duty: float) -> np.ndarray:
    return 2 / (ALL * math.pi) * np.abs(np.sin(math.pi * ALL * duty))


# Fourier series; source of all rows: math (integrals over a period)
SERIES = [
    ("square", np.where(TURN < 0.5, 1.0, -1.0), ODD, 4 / (ODD * math.pi), 1e-4),
    ("triangle", 1 - 4 * np.abs(TURN - 0.5), ODD, 8 / (ODD * math.pi) ** 2, 1e-4),
    ("sawtooth", 2 * TURN - 1, ALL, 2 / (ALL * math.pi), 1e-4),
    ("half-wave", np.maximum(np.sin(2 * np.pi * TURN), 0), HALF_WAVE[0], HALF_WAVE[1], 1e-6),
    ("full-wave", np.abs(np.sin(2 * np.pi * TURN)), FULL_WAVE[0], FULL_WAVE[1], 1e-6),
    ("pulses of 25 %", np.where(TURN < 0.25, 1.0, 0.0), ALL, pulse_series(0.25), 2e-5),
    ("pulses of 40 %", np.where(TURN < 0.4, 1.0, 0.0), ALL, pulse_series(0.4), 2e-5),
]  # fmt: skip


@pytest.mark.parametrize("shape, volts, harmonics, lines, tolerance", SERIES, ids=[row[0] for row in SERIES])
def test_lines_are_the_fourier_series_of(
    shape: str, volts: np.ndarray, harmonics: np.ndarray, lines: np.ndarray, tolerance: float
) -> None:
    spectrum = amplitude_spectrum(survey_of(volts), window="rectangular")
    # a corner between two samples and aliases of the higher harmonics make the tolerance
    assert spectrum.amplitudes[harmonics] == pytest.approx(lines, abs=tolerance)


def test_lines_and_mean_square_of_two_tones_and_a_mean() -> None:
    k = np.arange(1000)
    survey = survey_of(2 * np.sin(2 * np.pi * 50 * k / 1000) + 0.5 + 0.1 * np.cos(2 * np.pi * 150 * k / 1000))
    for window in ("rectangular", "hann"):
        spectrum = amplitude_spectrum(survey, window=window)  # type: ignore[arg-type]
        assert spectrum.amplitudes[[0, 50, 150]] == pytest.approx([0.5, 2.0, 0.1], rel=1e-12)
        # math, Parseval: 0.25 + 2 + 0.005
        assert spectrum.mean_squares(0, 501).sum() == pytest.approx(2.255, rel=1e-12)
        # source: scipy.signal.periodogram, scaling "spectrum": mean squares of the lines
        names: dict[str, str] = {"rectangular": "boxcar", "hann": "hann"}
        _, power = scipy.signal.periodogram(survey.wave.values(), window=names[window], scaling="spectrum")
        assert spectrum.amplitudes[[50, 150]] ** 2 / 2 == pytest.approx(power[[50, 150]], rel=1e-12)


@pytest.mark.parametrize("terms, share", [([1], 0.810569), ([1, 3], 0.900633), ([1, 3, 5], 0.933056)])
def test_power_of_a_square_in_its_first_harmonics(terms: list[int], share: float) -> None:
    spectrum = amplitude_spectrum(survey_of(np.where(TURN < 0.5, 1.0, -1.0)), window="rectangular")
    # math: Σ 8/(nπ)²
    assert sum(spectrum.mean_squares(n, n + 1)[0] for n in terms) == pytest.approx(share, abs=1e-5)


@pytest.mark.parametrize("sent, seen", [(12e6, 12e6), (13e6, 12e6), (24e6, 1e6), (30e6, 5e6)])
def test_a_tone_above_half_the_rate_is_seen_at_its_alias(sent: float, seen: float) -> None:
    volts = np.sin(2 * np.pi * sent * np.arange(2500) / 25e6 + 0.3)
    spectrum = amplitude_spectrum(survey_of(volts, interval=1 / 25e6))
    assert spectrum.frequency_of(int(spectrum.amplitudes[1:].argmax()) + 1) == pytest.approx(seen, rel=1e-12)


def test_coherent_test_frequency_falls_on_a_line() -> None:
    # math: 409 cycles in 4096 samples at 1 MS/s
    spectrum = amplitude_spectrum(survey_of(np.sin(2 * np.pi * 409 * np.arange(4096) / 4096), interval=1e-6))
    assert spectrum.frequency_of(409) == pytest.approx(99_853.515625, rel=1e-12)
    assert spectrum.amplitudes[409] == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize("size, gain_db", [(1024, 27.093), (4096, 33.113), (65536, 45.154)])
def test_the_noise_floor_sinks_with_the_number_of_lines(size: int, gain_db: float) -> None:
    # math: white noise spreads over size/2 lines, 10·log10(size/2)
    noise = np.random.default_rng(66).normal(size=size)
    spectrum = amplitude_spectrum(survey_of(noise), window="rectangular")
    floor = spectrum.mean_squares(1, size // 2).mean()
    assert -10 * math.log10(floor / noise.var()) == pytest.approx(gain_db, abs=0.01)


@pytest.mark.parametrize(
    "window, name", [("rectangular", "boxcar"), ("hann", "hann"), ("blackman_harris", "blackmanharris")]
)
@pytest.mark.parametrize("size", [999, 1000])
def test_agrees_with_scipy_on_a_random_record(window: WindowName, name: str, size: int) -> None:
    volts = np.random.default_rng(size).normal(3.0, 1.0, size)
    spectrum = amplitude_spectrum(survey_of(volts), window=window)
    _, power = scipy.signal.periodogram(volts, window=name, scaling="spectrum", detrend="constant")
    noise_power = spectrum.mean_squares(1, spectrum.amplitudes.size) * WINDOWS[window].noise_bandwidth
    assert noise_power == pytest.approx(power[1:], rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("dtype", [np.int8, np.uint8, np.int16, np.float32])
def test_codes_of_a_converter_give_the_spectrum_of_their_values(dtype: type) -> None:
    codes = np.random.default_rng(5).integers(0, 100, 70_001).astype(dtype)
    wave = Waveform(codes, gain=-0.01, offset=2.0, interval=1e-6)
    exact = amplitude_spectrum(survey_of(wave.values(), interval=1e-6)).amplitudes
    # float32 inside: 24 bits
    assert amplitude_spectrum(Survey(wave)).amplitudes == pytest.approx(exact, abs=1e-7)


def test_codes_of_24_bits_in_32_keep_their_mean() -> None:
    # source: SciPy 1.17.1, test-8000Hz-le-3ch-5S-24bit.wav, first column as asserted in its own tests
    path = Path(scipy.__file__).parent / "io" / "tests" / "data" / "test-8000Hz-le-3ch-5S-24bit.wav"
    _, samples = scipy.io.wavfile.read(path)
    columns = samples.T
    assert columns[0].tolist() == [-2147483648, -1073741824, 0, 1073741824, 2147483392]
    for column in columns:
        values, mean = centred(Waveform(column, interval=1 / 8000))
        assert mean == sum(column.tolist()) / 5
        assert values == pytest.approx(column - mean, rel=1e-15)


def test_a_small_tone_on_a_large_offset_is_kept() -> None:
    k = np.arange(4096)
    survey = survey_of(1e6 + 1e-3 * np.sin(2 * np.pi * 100 * k / 4096))
    assert amplitude_spectrum(survey).amplitudes[100] == pytest.approx(1e-3, rel=1e-6)  # 1e6 holds steps of 1.2e-10


@given(gain=st.floats(1e-3, 1e3), offset=st.floats(-10, 10), start=st.floats(-1, 1))
def test_scales_with_the_gain_and_knows_neither_offset_nor_start(gain: float, offset: float, start: float) -> None:
    volts = np.random.default_rng(1).normal(size=64)
    plain = amplitude_spectrum(survey_of(volts))
    moved = amplitude_spectrum(survey_of(gain * volts + offset, start=start))
    assert moved.amplitudes[1:] == pytest.approx(gain * plain.amplitudes[1:], rel=1e-6, abs=1e-11)


def test_invalid_samples_at_the_ends_are_cut_off_and_inside_refused() -> None:
    volts = np.random.default_rng(1).normal(size=100)
    padded = np.concatenate([[np.nan] * 3, volts, [np.inf]])
    assert amplitude_spectrum(survey_of(padded)).amplitudes == pytest.approx(
        amplitude_spectrum(survey_of(volts)).amplitudes
    )
    padded[50] = np.nan
    with pytest.raises(NotMeasurable, match="1 invalid samples inside"):
        amplitude_spectrum(survey_of(padded))


@pytest.mark.parametrize(
    "volts, reason", [([], "0 valid samples"), ([1.0], "1 valid"), ([2.0] * 50, "constant at 2 V")]
)
def test_too_little_signal_is_refused(volts: list[float], reason: str) -> None:
    with pytest.raises(NotMeasurable, match=reason):
        amplitude_spectrum(survey_of(volts))


def test_is_computed_once_for_each_window() -> None:
    survey = survey_of(np.random.default_rng(1).normal(size=100))
    assert amplitude_spectrum(survey) is amplitude_spectrum(survey)
    assert amplitude_spectrum(survey, window="blackman") is not amplitude_spectrum(survey)


@pytest.mark.parametrize("dtype", [np.int8, np.float64])
@pytest.mark.parametrize("size", [1000, 1001])
def test_the_lines_of_a_changed_waveform_are_those_of_its_codes(dtype: type, size: int) -> None:
    codes = np.round(40 * np.sin(np.arange(size)) + np.arange(size) % 7).astype(dtype)
    survey = Survey(Waveform(codes, gain=0.5, offset=-1.0, interval=1e-6))
    for wave in (
        Waveform(codes, gain=0.53, offset=-30.0, interval=1e-6),
        Waveform(codes, gain=0.5, offset=-1.0, interval=1.1e-6, start=0.3),
    ):
        found, fresh = amplitude_spectrum(survey.changed(wave)), amplitude_spectrum(Survey(wave))
        assert found.amplitudes == pytest.approx(fresh.amplitudes, rel=1e-6, abs=1e-7)
        assert (found.step, found.mean) == pytest.approx((fresh.step, fresh.mean))
        density, again = power_density(survey.changed(wave)), power_density(Survey(wave))
        assert density.values == pytest.approx(again.values, rel=1e-5, abs=1e-18)
        assert (density.step, density.segment) == (pytest.approx(again.step), again.segment)


def test_lines_on_another_scale_are_those_of_the_changed_waveform() -> None:
    codes = np.rint(90 * np.sin(0.3 * np.arange(1000)) + 20).astype(np.int8)
    wave = Waveform(codes, gain=0.01, offset=0.5, interval=1e-6, name="tone")
    changed = replace(wave, gain=-0.013, offset=-0.2)
    survey = Survey(wave)
    before = amplitude_spectrum(survey)
    scaled, own = amplitude_spectrum(survey.changed(changed)), amplitude_spectrum(Survey(changed))
    assert np.shares_memory(scaled.lines, before.lines)  # no copy is made
    assert scaled.amplitudes == pytest.approx(own.amplitudes, rel=1e-6)
    assert scaled.part(0, 7).tolist() == scaled.amplitudes[:7].tolist() == [scaled.at(k) for k in range(7)]
    assert scaled.part(3, 501, 5).tolist() == scaled.amplitudes[3:501:5].tolist()
    assert scaled.at(501) == scaled.at(-1) == 0.0
