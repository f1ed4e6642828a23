"""Tones between the lines of a spectrum."""

from __future__ import annotations

import math

import numpy as np
import pytest
import pywt
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.tones import find_strongest
from wavewright.analysis.spectrum.windows import WINDOWS, WindowName
from wavewright.waveform import Waveform

K = np.arange(1024)


def wave_of(volts: np.ndarray, interval: float = 1 / 1024) -> Waveform:
    return Waveform.from_volts(volts, interval=interval, name="signal")


def tone(cycles: float, amplitude: float = 1.0, phase: float = 0.7) -> np.ndarray:
    return amplitude * np.cos(2 * np.pi * cycles * K / 1024 + phase)


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


@pytest.mark.parametrize("cycles, within, amplitude_within", [(100.3, 1e-7, 2e-8), (20.25, 6e-6, 1e-5)])
def test_a_tone_between_bins(cycles: float, within: float, amplitude_within: float) -> None:
    # source: math; the closed formula for the Hann window from memory, not verified. The rest is leakage of the image.
    wave = wave_of(tone(cycles))
    assert value(measure(wave, "strongest_tone")) == pytest.approx(cycles, abs=within)
    assert value(measure(wave, "strongest_tone_amplitude")) == pytest.approx(1.0, abs=amplitude_within)


@pytest.mark.parametrize("window", WINDOWS)
def test_uncertainty_covers_what_leaks_from_the_image(window: WindowName) -> None:
    for cycles in np.linspace(6, 505, 151):
        found = find_strongest(Survey(wave_of(tone(cycles, phase=cycles))), window=window)
        # bounds taken as rectangular: no error is beyond √3 standard uncertainties. The rectangular window's bins are
        # so far off in phase as well that the larger neighbour may be the wrong one
        allowed = 4.0 if window in {"rectangular", "flat_top"} else 1.8
        assert abs(found.cycles - cycles) < allowed * found.frequency_uncertainty
        assert abs(found.amplitude - 1) < allowed * found.amplitude_uncertainty


@pytest.mark.parametrize("window", ["hann", "hamming", "blackman", "blackman_harris"])
def test_uncertainty_is_the_scatter_of_repeated_readings(window: WindowName) -> None:
    rng = np.random.default_rng(51)
    found = []
    for trial in range(200):
        volts = tone(100 + trial / 200) + 0.1 * rng.standard_normal(1024)
        found.append((trial, find_strongest(Survey(wave_of(volts)), window=window)))
    errors = [one.frequency - 100 - trial / 200 for trial, one in found]
    # never below the scatter (which 200 runs tell to 5 %), and not above twice it
    assert 0.95 < np.mean([one.frequency_uncertainty for _, one in found]) / np.std(errors) < 2.0
    amplitudes = [one.amplitude for _, one in found]
    assert 0.9 < np.mean([one.amplitude_uncertainty for _, one in found]) / np.std(amplitudes) < 1.2
    assert np.mean([one.noise for _, one in found]) == pytest.approx(0.1, rel=0.03)


@given(
    cycles=st.floats(12, 480),
    gain=st.floats(1e-3, 1e3),
    offset=st.floats(-10, 10),
    interval=st.floats(1e-9, 1.0),
)
def test_moves_with_the_time_scale_only(cycles: float, gain: float, offset: float, interval: float) -> None:
    wave = wave_of(gain * tone(cycles) + offset, interval=interval)
    reading = measure(wave, "strongest_tone")
    # the image leaks at most 5e-5 of a bin at 12 cycles
    assert value(reading) * 1024 * interval == pytest.approx(cycles, abs=1e-4)
    assert value(measure(wave, "strongest_tone_amplitude")) == pytest.approx(gain, rel=1e-4)


def test_strongest_of_several_and_of_a_band() -> None:
    wave = wave_of(tone(50) + tone(120.4, 0.5) + tone(300, 0.01) + 7)
    assert value(measure(wave, "strongest_tone")) == pytest.approx(50, abs=1e-3)
    assert value(measure(wave, "strongest_tone", lowest="100 Hz")) == pytest.approx(120.4, abs=1e-3)
    assert value(measure(wave, "strongest_tone", lowest=200.0, highest=400.0)) == pytest.approx(300, abs=1e-2)
    for number, frequency, amplitude in ((1, 50, 1), (2, 120.4, 0.5), (3, 300, 0.01)):
        assert value(measure(wave, "strongest_tone", number=number)) == pytest.approx(frequency, abs=0.05)
        assert value(measure(wave, "strongest_tone_amplitude", number=number)) == pytest.approx(amplitude, rel=2e-3)
    assert value(measure(wave, "strongest_tone", number=2, lowest="100 Hz")) == pytest.approx(300, abs=0.05)


def test_a_tone_outside_the_band_is_not_taken_by_its_flank() -> None:
    # 50.4 leaks into 52 … 60, falling from bin to bin: no peak there
    reading = measure(wave_of(tone(50.4)), "strongest_tone", lowest="52 Hz", highest="60 Hz")
    assert reading.value is None
    assert "no peak in the spectrum between 52 Hz and 60 Hz" in reading.reason


def test_a_drift_is_not_taken_for_a_tone() -> None:
    reading = measure(wave_of(K / 1024.0), "strongest_tone")
    assert reading.value is None
    assert "at 1 cycles in the record" in reading.reason


def test_doubts() -> None:
    assert measure(wave_of(tone(5.3)), "strongest_tone").doubts == (Doubt.FEW_CYCLES,)
    assert measure(wave_of(tone(300)), "strongest_tone").doubts == (Doubt.UNDERSAMPLED,)
    assert measure(wave_of(tone(100)), "strongest_tone").doubts == ()
    noise = np.random.default_rng(3).normal(size=1024)
    assert Doubt.NOISY in measure(wave_of(noise), "strongest_tone").doubts
    assert Doubt.NOISY not in measure(wave_of(noise + tone(100)), "strongest_tone").doubts


def test_surface_temperatures_of_the_pacific_have_a_yearly_tone() -> None:
    # source: PyWavelets, pywt.data.nino(); scipy.signal.periodogram puts the highest line at 1.0 a year
    years, temperature = pywt.data.nino()
    reading = measure(Waveform.from_volts(temperature, interval=float(years[1] - years[0])), "strongest_tone")
    assert value(reading) == pytest.approx(1.0, abs=1 / 66 / 2)  # half a line of 66 years


def test_sunspots_have_an_eleven_year_tone() -> None:
    # source: statsmodels 0.15.0, sunspots data set; scipy.signal.periodogram has its highest line at 28/309 a year
    datasets = pytest.importorskip("statsmodels.datasets")
    spots = datasets.sunspots.load_pandas().data["SUNACTIVITY"].to_numpy()
    survey = Survey(Waveform.from_volts(spots, interval=1.0))
    assert find_strongest(survey, window="rectangular").cycles == pytest.approx(28, abs=0.5)
    assert value(measure(survey.wave, "strongest_tone")) == pytest.approx(28 / 309, abs=1 / 309)


def test_frequency_resolution_of_hann_is_better_than_a_parabola_through_logarithms() -> None:
    # math: for the Hann window three logarithms on a parabola are off by 0.016 bin at worst
    worst = max(abs(find_strongest(Survey(wave_of(tone(c)))).cycles - c) for c in np.linspace(100, 101, 41))
    assert worst < 0.016 / 1000
    assert math.isfinite(worst)
