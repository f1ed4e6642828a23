from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.measure import measure
from wavewright.waveform import Waveform

N = 1_000_000
TURN = (np.arange(N) + 0.5) / N  # interval centres of one period
SAW = 2 * TURN - 1
SINE = np.sin(2 * np.pi * TURN)

# math: integrals over a period. Columns: mean, rms, ac rms, rectified mean, crest factor, form factor
SHAPES = {
    "sine": (SINE, 0.0, 0.707106781, 0.707106781, 0.636619772, 1.414213562, 1.110720735),
    "square": (np.where(TURN < 0.5, 1.0, -1.0), 0.0, 1.0, 1.0, 1.0, 1.0, 1.0),
    "triangle": (1 - 2 * np.abs(SAW), 0.0, 0.577350269, 0.577350269, 0.5, 1.732050808, 1.154700538),
    "sawtooth": (SAW, 0.0, 0.577350269, 0.577350269, 0.5, 1.732050808, 1.154700538),
    "sawtooth 0 to 1": (TURN, 0.5, 0.577350269, 0.288675135, 0.5, 1.732050808, 1.154700538),
    "half-wave sine": (np.maximum(SINE, 0), 0.318309886, 0.5, 0.385588921, 0.318309886, 2.0, 1.570796327),
    "full-wave sine": (np.abs(SINE), 0.636619772, 0.707106781, 0.307758453, 0.636619772, 1.414213562, 1.110720735),
    "pulses, duty 0.3": (np.where(TURN < 0.3, 1.0, 0.0), 0.3, 0.3**0.5, 0.21**0.5, 0.3, 0.3**-0.5, 0.3**-0.5),
    "clipped sine": (np.clip(1.25 * SINE, -1, 1), 0.0, 0.795067, 0.795067, 0.727975, 1.257755, 1.092162),
}
NAMES = ["mean", "rms", "ac_rms", "rectified_mean", "crest_factor", "form_factor"]


@pytest.mark.parametrize("shape", SHAPES)
def test_averages_of_the_standard_shapes(shape: str) -> None:
    volts, *expected = SHAPES[shape]
    found = measure(Waveform.from_volts(volts, interval=1e-6), NAMES)
    for name, value in zip(NAMES, expected, strict=True):
        assert found[name].value == pytest.approx(value, rel=1e-5, abs=1e-5), name


def test_a_switched_load_of_24_volts() -> None:
    # math: mean 24·D, rms 24·√D, ac rms 24·√(D(1 − D)) at D = 0.4, which is a whole number of samples
    coil = Waveform((np.arange(1000) % 10 < 4).astype(np.uint8), gain=24.0, interval=1e-5)
    found = measure(coil, NAMES)
    assert found["mean"].value == pytest.approx(9.6, rel=1e-12)
    assert found["rms"].value == pytest.approx(15.178932769, rel=1e-9)
    assert found["ac_rms"].value == pytest.approx(11.757550765, rel=1e-9)


@pytest.mark.parametrize("phase", [0, 0.3, 1.1])
def test_whole_cycles_of_any_phase(phase: float) -> None:
    # math: discrete orthogonality
    volts = 3 * np.sin(2 * np.pi * 7 * np.arange(1000) / 1000 + phase) + 0.5
    found = measure(Waveform.from_volts(volts, interval=1e-3), NAMES)
    assert found["mean"].value == pytest.approx(0.5, rel=1e-12)
    assert found["rms"].value == pytest.approx(math.sqrt(0.25 + 4.5), rel=1e-12)
    assert found["ac_rms"].value == pytest.approx(2.121320344, rel=1e-9)


def scan_of_phases(name: str, cycles: float) -> np.ndarray:
    places = 2 * np.pi * cycles * np.arange(1000) / 1000
    waves = (np.sin(places + phase) for phase in np.linspace(0, 2 * np.pi, 400, endpoint=False))
    return np.array([measure(Waveform.from_volts(wave, interval=1e-3), name).value for wave in waves])


def test_the_mean_of_broken_cycles_is_wrong_by_the_dirichlet_kernel() -> None:
    # math: sin πM / (N sin πM/N) at M = 10.5, N = 1000
    worst = np.abs(scan_of_phases("mean", 10.5)).max()
    assert worst == pytest.approx(0.030320726, abs=1e-5)


def test_the_rms_of_broken_cycles_is_wrong_by_its_known_share() -> None:
    # math: largest deviation of the mean square 0.007769025 at M = 10.25, N = 1000; none at M = 10.5
    assert np.abs(scan_of_phases("rms", 10.25) ** 2 - 0.5).max() == pytest.approx(0.007769025, abs=1e-6)
    assert np.abs(scan_of_phases("rms", 10.5) ** 2 - 0.5).max() < 1e-9


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("dtype", [np.int8, np.int16, np.float32, np.float64])
def test_random_records_agree_with_numpy(name: str, dtype: type) -> None:
    # source: NumPy 2.4.6 in float64
    codes = np.random.default_rng(26).integers(-100, 110, 100_000).astype(dtype)
    volts = 0.25 * codes.astype(np.float64) - 3.0
    rms, rectified = math.sqrt(np.mean(volts**2)), np.mean(np.abs(volts))
    expected = {
        "mean": volts.mean(),
        "rms": rms,
        "ac_rms": volts.std(),
        "rectified_mean": rectified,
        "crest_factor": np.abs(volts).max() / rms,
        "form_factor": rms / rectified,
    }
    found = measure(Waveform(codes, gain=0.25, offset=-3.0, interval=1.0), name)
    assert found.value == pytest.approx(expected[name], rel=1e-9)


def test_a_wide_integer_record_is_averaged_as_well() -> None:
    # source: NumPy 2.4.6
    codes = np.random.default_rng(5).integers(-(2**31), 2**31, 5000).astype(np.int32)
    found = measure(Waveform(codes, interval=1.0), NAMES)
    assert found["mean"].value == pytest.approx(codes.mean(), rel=1e-9)
    assert found["rectified_mean"].value == pytest.approx(np.abs(codes.astype(float)).mean(), rel=1e-9)


def test_rms_of_a_wav_file_of_floats_with_a_broken_number_of_cycles() -> None:
    # SciPy 1.17.1, io/tests/data/test-44100Hz-2ch-32bit-float-le.wav: 4.4 cycles of 0.8·sin, so not 0.5657
    from importlib.resources import files

    from scipy.io import wavfile

    path = files("scipy.io.tests").joinpath("data/test-44100Hz-2ch-32bit-float-le.wav")
    rate, samples = wavfile.read(str(path))
    wave = Waveform(samples[:, 0], interval=1 / rate)
    assert measure(wave, "rms").value == pytest.approx(0.5703037, abs=5e-8)


def test_a_waveform_of_zeros_has_no_crest_factor() -> None:
    reading = measure(Waveform(np.zeros(10, dtype=np.int8), interval=1.0, name="rail"), "crest_factor")
    assert reading.value is None
    assert reading.reason.startswith("`rail`: all samples are 0")


def test_squares_beyond_float64_give_a_reason() -> None:
    reading = measure(Waveform.from_volts([1e300, -1e300, 1e300], interval=1.0), "rms")
    assert reading.value is None
    assert "beyond what float64 holds" in reading.reason


def test_the_uncertainty_of_a_mean_holds_what_seeds_scatter_by() -> None:
    # JCGM 100:2008, 4.2.3: standard deviation of the mean is σ/√n. Noise of 5 codes averages the rounding to codes as
    # well (math): what is left of it is e^(−490) of a step
    means, told = [], []
    for seed in range(200):
        codes = np.random.default_rng(seed).normal(0, 5, 400).round().astype(np.int8)
        reading = measure(Waveform(codes, gain=0.1, interval=1.0), "mean")
        means.append(reading.value)
        told.append(reading.uncertainty)
    scatter = np.std(means, ddof=1)
    assert np.mean(told) == pytest.approx(scatter, rel=0.1)


def test_a_mean_without_noise_is_as_uncertain_as_a_code() -> None:
    # JCGM 100:2008, 4.3.7: rounding to codes, rectangular, and the same for every sample
    wave = Waveform(np.full(400, 3, dtype=np.int8), gain=0.1, interval=1.0)
    assert measure(wave, "mean").uncertainty == pytest.approx(0.1 / math.sqrt(12))


@pytest.mark.parametrize("sigma", [0.0, 0.1, 0.2, 0.3, 0.4, 0.5])
def test_rounding_of_a_level_averages_as_far_as_noise_spreads_it(sigma: float) -> None:
    # math: the mean of a rounded normal value is off by Σ (−1)ᵏ/(πk) · sin(2πkx) · exp(−2π²k²σ²); here of levels x that
    # lie anywhere between two codes. What is stated is the rms of that, or more where the noise is hard to see
    levels, size = np.linspace(-0.5, 0.5, 21)[:-1], 40_000
    off, told = [], []
    for number, level in enumerate(levels):
        samples = np.round(level + sigma * np.random.default_rng(number).standard_normal(size)).astype(np.int8)
        reading = measure(Waveform(samples, gain=1.0, interval=1.0), "mean")
        off.append(reading.value - level)
        told.append(reading.uncertainty)
    assert np.sqrt(np.mean(np.square(off))) < 1.1 * np.sqrt(np.mean(np.square(told)))
