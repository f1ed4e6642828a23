from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.analysis.record.histogram import histogram_of
from wavewright.analysis.record.noise import noise_code, state_scatter
from wavewright.analysis.record.survey import Survey
from wavewright.waveform import Waveform


@pytest.mark.parametrize("sigma", [0.5, 2.0, 20.0])
def test_white_noise_on_a_slow_signal_is_found(sigma: float) -> None:
    # math: the second difference of white noise has the variance 6σ²; its median over 16 000 values is known to 2 %
    random = np.random.default_rng(11)
    slow = 100 * np.sin(2 * np.pi * np.arange(200_000) / 10_000)
    assert noise_code(slow + random.normal(0, sigma, 200_000)) == pytest.approx(sigma, rel=0.05)


def test_transitions_do_not_count_as_noise() -> None:
    random = np.random.default_rng(12)
    square = 100.0 * (np.arange(100_000) % 100 < 50)
    assert noise_code(square + random.normal(0, 1.0, 100_000)) == pytest.approx(1.0, rel=0.1)


@pytest.mark.parametrize("codes", [[], [1], [1, 2], [5, 5, 5, 5]])
def test_too_few_samples_or_none_that_differ_have_no_noise(codes: list[int]) -> None:
    assert noise_code(np.array(codes, dtype=np.int8)) == 0.0


@pytest.mark.parametrize("sigma", [1.0, 4.0])
def test_the_scatter_about_the_states_is_that_of_the_noise(sigma: float) -> None:
    # math: median of |x| is 0.6745 σ; half a code of rounding on either side
    random = np.random.default_rng(13)
    codes = np.where(np.arange(50_000) % 10 < 4, 100, 0) + random.normal(0, sigma, 50_000)
    assert state_scatter(histogram_of(codes), 0.0, 100.0) == pytest.approx(sigma, rel=0.02)
    whole = codes.round().astype(np.int16)
    assert state_scatter(histogram_of(whole), 0.0, 100.0) == pytest.approx(sigma, abs=0.8)


def test_a_clean_line_of_four_samples_a_period_is_not_noisy() -> None:
    wave = Waveform(np.tile([0, 0, 100, 100], 500).astype(np.int8), interval=1e-6)
    assert Survey(wave).record.noise > 30  # neighbours differ by the signal itself
    assert Survey(wave).noise == 0.0
    assert measure(wave, "positive_pulse_width").doubts == (Doubt.FEW_SAMPLES,)
    fast = Waveform.from_volts(np.sin(2 * np.pi * np.arange(1000) / 5.1), interval=1e-6)
    assert measure(fast, "frequency").doubts == ()


@pytest.mark.parametrize("dtype", [np.int8, np.uint8, np.int16, np.uint16])
def test_differences_of_whole_codes_are_as_wide_as_they_get(
    dtype: np.dtype[np.integer[Any]] | type[np.integer[Any]],
) -> None:
    # from one end of the range to the other and back with every sample; exact in 64 bits whatever the type
    info = np.iinfo(dtype)
    codes = np.tile(np.array([info.min, info.max], dtype=dtype), 20_000)
    codes[::7] = info.max
    assert noise_code(codes) == noise_code(codes.astype(np.int64))


@pytest.mark.parametrize("sigma", [1e-4, 3e-4, 1e-3, 1.7e-3, 5e-3, 2e-2])
def test_the_scatter_in_bins_is_no_less_than_that_of_the_samples(sigma: float) -> None:
    """More floats than are counted one by one: each bin of 4096 is about 0.8 mV wide, and noise may be less."""
    volts = np.where(np.arange(80_000) % 20_000 < 10_000, 3.3, 0.0) + np.random.default_rng(3).normal(0, sigma, 80_000)
    histogram = histogram_of(volts)
    assert not histogram.is_exact
    scatter = state_scatter(histogram, 0.0, 3.3)
    assert 0.97 * sigma < scatter < 1.03 * sigma + 1.5 * histogram.bin_width
