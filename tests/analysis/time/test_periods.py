from __future__ import annotations

from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.waveform import Waveform


@given(st.floats(3.7, 60.0), st.floats(0, 6.28))
def test_the_period_of_a_sine(samples: float, phase: float) -> None:
    # math: zero crossings by straight lines are off by at most 0.633/r² intervals (leading term) at r samples per cycle
    volts = np.sin(2 * np.pi * np.arange(round(30 * samples)) / samples + phase)
    wave = Waveform.from_volts(volts, interval=1e-6)
    reading = measure(wave, "period", low_state=-1.0, high_state=1.0)
    assert reading.value == pytest.approx(samples * 1e-6, abs=2 * 0.75e-6 / samples**2 / (reading.count or 1) + 1e-15)
    assert measure(wave, "frequency").value == pytest.approx(1e6 / samples, rel=5e-3)


def test_beats_of_a_heart() -> None:
    # PyWavelets 1.9.0, pywt.data.ecg(); crossings of 100 at 187.03125, 515.015873, 845.606557 by straight lines
    pywt = pytest.importorskip("pywt")
    reading = measure(Waveform(pywt.data.ecg(), interval=1.0), "period", level=100.0)
    assert reading.value == pytest.approx(329.287654, abs=1e-6)
    assert reading.occurrences.times == pytest.approx([187.03125, 515.015873], abs=1e-6)


def test_the_peaks_that_scipy_finds_are_as_many() -> None:
    # source: scipy.signal.find_peaks, height 100, distance 50
    from scipy.signal import find_peaks

    pywt = pytest.importorskip("pywt")
    peaks, _ = find_peaks(pywt.data.ecg(), height=100, distance=50)
    assert measure(Waveform(pywt.data.ecg(), interval=1.0), "rising_edges", level=100.0).value == peaks.size == 3


def test_zero_crossings_of_a_climate_record() -> None:
    # PyWavelets 1.9.0, pywt.data.nino(): 56 rising crossings of 0, every one of them, so without hysteresis
    pywt = pytest.importorskip("pywt")
    _, temperature = pywt.data.nino()
    reading = measure(Waveform.from_volts(temperature, interval=0.25), "rising_edges", level=0.0, hysteresis=0.0)
    assert reading.value == 56


def test_pulse_wave_of_a_wrist() -> None:
    # HeartPy 1.2.7, heartpy/data/data.csv: 24 crossings of 600, mean period 1.018262 s, s 0.069033 s
    package = find_spec("heartpy")  # not imported: only its data is wanted
    if package is None or package.origin is None:
        pytest.skip("HeartPy, which brings the record, is not installed")
    path = Path(package.origin).parent / "data" / "data.csv"
    wave = Waveform(np.loadtxt(str(path)).astype(np.int16), interval=0.01)
    options = {"level": 600.0, "hysteresis": 0.0}
    assert measure(wave, "rising_edges", **options).value == 24
    assert measure(wave, "falling_edges", **options).value == 24
    reading = measure(wave, "period", **options)
    assert reading.value == pytest.approx(1.018262, abs=1e-6)
    assert reading.standard_deviation == pytest.approx(0.069033, abs=1e-6)


def test_frequency_of_an_8_bit_wav_file() -> None:
    # SciPy, io/tests/data/test-8000Hz-le-2ch-1byteu.wav: 999.9985 Hz by a sine fit
    from scipy.io import wavfile

    rate, samples = wavfile.read(str(files("scipy.io.tests").joinpath("data/test-8000Hz-le-2ch-1byteu.wav")))
    reading = measure(Waveform(samples[:, 0], offset=-128.0, interval=1 / rate), "frequency")
    assert reading.value == pytest.approx(999.9985, rel=1e-4)


@pytest.mark.parametrize("seed", range(3))
def test_edges_of_random_records_are_those_of_a_plain_comparison(seed: int) -> None:
    # source: NumPy 2.4.6, changes of sign about a level that no sample has
    volts = np.random.default_rng(seed).normal(0, 1, 5000).cumsum()
    level = 0.123
    reading = measure(Waveform.from_volts(volts, interval=1.0), "rising_edges", level=level, hysteresis=0.0)
    assert reading.value == np.count_nonzero((volts[:-1] < level) & (volts[1:] > level))


def test_the_frequency_is_the_inverse_of_the_mean_period_and_not_the_mean_of_inverses() -> None:
    volts = np.concatenate([np.repeat([0.0, 1.0], 5), np.repeat([0.0, 1.0], 45), np.repeat([0.0, 1.0], 20)])
    wave = Waveform.from_volts(volts, interval=1e-3)
    periods = measure(wave, "period")
    assert periods.occurrences.values == pytest.approx([0.050, 0.065])
    assert measure(wave, "frequency").value == pytest.approx(1 / periods.value, rel=1e-12)


def test_where_only_the_falling_edges_bound_a_period_they_are_taken() -> None:
    wave = Waveform.from_volts(np.repeat([1.0, 0.0, 1.0, 0.0], [10, 20, 30, 10]), interval=1.0)
    assert measure(wave, "period").value == pytest.approx(50.0)
    assert measure(wave, "cycles").value == 1


def test_few_cycles_and_few_samples_a_cycle_are_doubted() -> None:
    few = measure(Waveform.from_volts(np.repeat([0.0, 1.0] * 3, 50), interval=1.0), "period")
    assert Doubt.FEW_CYCLES in few.doubts
    many = measure(Waveform.from_volts([0.0, 1.0] * 30, interval=1.0), "period")
    assert Doubt.FEW_CYCLES not in many.doubts
    assert Doubt.UNDERSAMPLED in many.doubts


@pytest.mark.parametrize("name", ["rising_edges", "falling_edges", "cycles", "pulses", "glitches"])
def test_a_constant_has_no_edge_and_that_is_a_number(name: str) -> None:
    assert measure(Waveform(np.full(100, 5), interval=1.0), name).value == 0


def test_the_count_of_edges_has_the_time_of_each() -> None:
    wave = Waveform.from_volts([0.0, 0.0, 1.0, 1.0, 0.0, 0.0, 1.0], interval=1e-3, start=-2e-3)
    reading = measure(wave, "rising_edges")
    assert reading.occurrences.times == pytest.approx([-0.5e-3, 3.5e-3])


def test_a_noisy_slow_edge_counts_once_unless_hysteresis_is_taken_away() -> None:
    random = np.random.default_rng(9)
    volts = np.interp(np.arange(4000), [0, 1000, 3000, 4000], [0, 0, 1, 1]) + 0.01 * random.standard_normal(4000)
    wave = Waveform.from_volts(volts, interval=1e-6)
    assert measure(wave, "rising_edges").value == 1
    assert measure(wave, "rising_edges", hysteresis="0 %").value > 3
