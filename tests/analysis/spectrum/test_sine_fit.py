"""Sine fits with three and four parameters."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import scipy
import scipy.io.wavfile
import scipy.optimize
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.sine_fit import fit_sine
from wavewright.waveform import Waveform

# round(100 cos(2π·61.7 k/1000 − 0.7) + 10)
CODES = [86, 105, 110, 99, 76, 43, 4, -33, -64, -84, -90, -81, -59, -26, 12, 49]
CODES += [81, 102, 110, 103, 82, 50, 13, -25, -58, -81, -90, -84, -65, -34, 3, 42]
RECORD = Waveform(np.array(CODES, dtype=np.int8), interval=1e-3, name="codes")
WAVS = Path(scipy.__file__).parent / "io" / "tests" / "data"


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def test_three_parameters() -> None:
    # source: IEEE 1057, three-parameter fit (from memory, not verified); numbers: math, computed with numpy lstsq
    fit = fit_sine(Survey(RECORD), frequency=61.7)
    assert [fit.cosine, fit.sine, fit.offset] == pytest.approx([76.4424376, 64.4648944, 9.98151638], rel=1e-8)
    assert fit.amplitude == pytest.approx(99.9958443, rel=1e-8)
    assert fit.residual_rms == pytest.approx(0.300517568, rel=1e-8)
    assert fit.frequency == 61.7
    assert fit.frequency_uncertainty == 0.0


@pytest.mark.parametrize("start", [None, 60.0])
def test_four_parameters(start: float | None) -> None:
    # source: IEEE 1057, four-parameter fit (from memory, not verified); numbers: math, by SciPy's least_squares
    fit = fit_sine(Survey(RECORD), start=start)
    assert fit.frequency == pytest.approx(61.6819677, rel=1e-8)
    assert [fit.cosine, fit.sine, fit.offset] == pytest.approx([76.5609206, 64.3163082, 9.99830506], rel=1e-8)
    assert fit.amplitude == pytest.approx(99.9908099, rel=1e-8)
    assert fit.phase == pytest.approx(-0.698699146, rel=1e-8)
    assert fit.residual_rms == pytest.approx(0.291957627, rel=1e-8)


def test_agrees_with_scipy_on_a_random_record() -> None:
    # source: scipy.optimize.curve_fit, values and standard deviations
    rng = np.random.default_rng(3)
    times = np.arange(500) * 1e-4 + 0.02
    volts = 1.3 * np.cos(2 * np.pi * 333.3 * times + 0.4) + 0.2 + 0.3 * rng.standard_normal(500)

    def model(t: np.ndarray, f: float, a: float, p: float, c: float) -> np.ndarray:
        return a * np.cos(2 * np.pi * f * t + p) + c

    found, spread = scipy.optimize.curve_fit(model, times, volts, p0=[333, 1.3, 0.4, 0.2])
    fit = fit_sine(Survey(Waveform.from_volts(volts, interval=1e-4, start=0.02)))
    assert [fit.frequency, fit.amplitude, fit.phase, fit.offset] == pytest.approx(found.tolist(), rel=1e-5)
    uncertainties = [
        fit.frequency_uncertainty,
        fit.amplitude_uncertainty,
        fit.phase_uncertainty,
        fit.offset_uncertainty,
    ]
    assert uncertainties == pytest.approx(np.sqrt(np.diag(spread)).tolist(), rel=1e-2)


def test_scatter_and_uncertainty_reach_the_cramer_rao_bound() -> None:
    # math: bound for one sine in white noise (formula from memory, not verified); 300 runs tell a scatter to 4 %
    rng = np.random.default_rng(71)
    sine = np.cos(2 * np.pi * 50_123.4 * np.arange(1000) * 1e-6 + 0.3)
    fits = [
        fit_sine(Survey(Waveform.from_volts(sine + 0.01 * rng.standard_normal(1000), interval=1e-6)))
        for _ in range(300)
    ]
    for found, uncertainty, bound in (
        ([fit.frequency for fit in fits], [fit.frequency_uncertainty for fit in fits], 0.246562),
        ([fit.amplitude for fit in fits], [fit.amplitude_uncertainty for fit in fits], 4.47214e-4),
        ([fit.phase for fit in fits], [fit.phase_uncertainty for fit in fits], 8.94427e-4),
    ):
        assert np.std(found, ddof=1) == pytest.approx(bound, rel=0.1)
        assert np.mean(uncertainty) == pytest.approx(bound, rel=0.02)


@pytest.mark.parametrize("ending", ["le", "be"])
def test_float_wav_of_scipy(ending: str) -> None:
    # source: SciPy 1.17.1 test data, 0.8·sin(2π·440 t), 441 samples in float32
    rate, samples = scipy.io.wavfile.read(WAVS / f"test-44100Hz-2ch-32bit-float-{ending}.wav")
    fit = fit_sine(Survey(Waveform(samples[:, 0], interval=1 / rate)))
    assert fit.amplitude == pytest.approx(0.8, abs=2e-8)
    assert fit.frequency == pytest.approx(440.0, abs=2e-6)
    assert fit.phase == pytest.approx(-math.pi / 2, abs=1e-7)
    assert fit.residual_rms < 6e-8  # steps of float32 near 0.8
    assert math.sqrt(float((samples[:, 0].astype(float) ** 2).mean())) == pytest.approx(0.5703037, abs=1e-7)


@pytest.mark.filterwarnings("ignore:Chunk")  # the file has one that SciPy skips
def test_double_wav_of_scipy() -> None:
    # source: SciPy 1.17.1 test data, 0.8·sin(2π·440 t), 480 samples written in float64
    rate, samples = scipy.io.wavfile.read(WAVS / "test-48000Hz-2ch-64bit-float-le-wavex.wav")
    fit = fit_sine(Survey(Waveform(samples[:, 0], interval=1 / rate)))
    assert [fit.amplitude, fit.frequency] == pytest.approx([0.8, 440.0], rel=1e-7)
    assert fit.residual_rms < 3e-8
    assert fit.offset == pytest.approx(0.0, abs=1e-8)  # where the mean of 4.4 cycles is 0.0518437
    assert samples[:, 0].mean() == pytest.approx(0.0518437, abs=1e-7)


def test_integer_wav_of_scipy() -> None:
    # source: SciPy 1.17.1 test data, 4410 int32 samples
    rate, samples = scipy.io.wavfile.read(WAVS / "test-44100Hz-le-1ch-4bytes.wav")
    fit = fit_sine(Survey(Waveform(samples, gain=2.0**-31, interval=1 / rate)))
    assert fit.frequency == pytest.approx(999.99998, abs=1e-4)
    assert fit.amplitude == pytest.approx(0.705, abs=1e-6)


def test_offset_binary_wav_of_scipy() -> None:
    # source: SciPy 1.17.1 test data, 800 × 2 uint8 samples around 128
    rate, samples = scipy.io.wavfile.read(WAVS / "test-8000Hz-le-2ch-1byteu.wav")
    fit = fit_sine(Survey(Waveform(samples[:, 0], interval=1 / rate)))
    assert fit.frequency == pytest.approx(999.9985, abs=1e-4)
    assert [fit.amplitude, fit.offset, fit.residual_rms] == pytest.approx([89.182, 127.987, 0.595], abs=1e-3)


def test_broken_cycles_do_not_move_the_offset() -> None:
    # math: the mean of 10.5 cycles is off by up to 0.03 of the amplitude, a fit is not
    volts = np.sin(2 * np.pi * 10.5 * np.arange(1000) / 1000) + 0.25
    assert value(measure(Waveform.from_volts(volts, interval=1e-3), "sine_offset")) == pytest.approx(0.25, abs=1e-9)


@given(
    cycles=st.floats(1.2, 400),
    phase=st.floats(-3, 3),
    gain=st.sampled_from([1e-3, -2.0, 50.0]),
    offset=st.floats(-100, 100),
    start=st.floats(-10, 10),
)
def test_finds_the_sine_it_was_given(cycles: float, phase: float, gain: float, offset: float, start: float) -> None:
    turn = 2 * np.pi * cycles / 1000
    codes = np.cos(turn * np.arange(1000) + phase)
    wave = Waveform(codes, gain=gain, offset=offset, interval=0.5, start=start)
    fit = fit_sine(Survey(wave))
    assert fit.cycles == pytest.approx(cycles, rel=1e-9)
    assert fit.amplitude == pytest.approx(abs(gain), rel=1e-8)
    assert fit.offset == pytest.approx(offset, abs=1e-8 * abs(gain))
    assert fit.residual_rms < 1e-7 * abs(gain)
    at_start = math.cos(2 * math.pi * fit.frequency * start + fit.phase) * fit.amplitude
    assert at_start == pytest.approx(gain * math.cos(phase), abs=1e-6 * abs(gain))


@pytest.mark.parametrize("dtype", [np.int8, np.uint8, np.int16, np.int32, np.float32])
def test_type_of_the_codes_makes_no_difference(dtype: type) -> None:
    shift = 0 if dtype is np.int8 else 100
    codes = (np.array(CODES) + shift).astype(dtype)
    fit = fit_sine(Survey(Waveform(codes, offset=-float(shift), interval=1e-3)))
    assert fit.frequency == pytest.approx(61.6819677, rel=1e-8)
    assert fit.offset == pytest.approx(9.99830506, rel=1e-8)


def test_doubts_and_refusals() -> None:
    noise = np.random.default_rng(1).normal(size=400)
    reading = measure(Waveform.from_volts(noise, interval=1.0), "sine_amplitude")
    assert reading.value is None or Doubt.NOISY in reading.doubts
    assert Doubt.FEW_CYCLES in measure(RECORD, "sine_frequency").doubts
    for volts in ([1.0] * 50, [1.0, 2.0], [], [0.0] * 20 + [1.0] * 20):
        found = measure(Waveform.from_volts(volts, interval=1.0), "sine_frequency")
        assert found.value is None
        assert found.reason
    far = measure(RECORD, "sine_amplitude", frequency="600 Hz")
    assert "below half the sampling rate" in far.reason
    residual = value(measure(RECORD, "sine_residual"))
    assert residual == pytest.approx(0.291957627, rel=1e-8)
    assert value(measure(RECORD, "sine_phase")) == pytest.approx(math.degrees(-0.698699146), rel=1e-8)
