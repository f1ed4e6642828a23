"""Band-limited interpolation against the sampling theorem."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import resample as resample_by_dft

from wavewright.analysis.expressions.derive import derive
from wavewright.analysis.signals.resampling import REACH, interpolation_weights
from wavewright.waveform import Waveform


@pytest.mark.parametrize("frequency", [0.01, 0.1, 0.25, 0.4, 0.45])
@pytest.mark.parametrize("rate", [2.0, 1.25, 3.7, np.pi, 16.0])
def test_a_tone_between_its_samples(frequency: float, rate: float) -> None:
    # math: the sampling theorem; tone in fractions of the sampling rate, away from the ends of the record
    k = np.arange(1000)
    wave = Waveform.from_volts(np.sin(2 * np.pi * frequency * k + 0.3), interval=1.0)
    fine = derive(f"resample(a, {rate!r} Hz)", {"a": wave})
    times = fine.start + fine.interval * np.arange(len(fine))
    middle = (times > 100) & (times < 900)
    error = np.abs(fine.values() - np.sin(2 * np.pi * frequency * times + 0.3))[middle].max()
    # a series cut off without a window errs by less than 1/(πK(1 − 2f/fs)); ours must be far better
    assert error < min(1 / (np.pi * REACH * (1 - 2 * frequency)), 1e-5)


def test_whole_cycles_agree_with_interpolation_by_dft() -> None:
    # math: for a periodic record the DFT interpolates exactly; SciPy 1.17.1 `resample`. Many periods, so that the
    # ends, which the DFT joins and we do not, are far away
    period = np.sin(2 * np.pi * 5 * np.arange(64) / 64 + 0.3)
    record = np.tile(period, 20)
    ours = derive("resample(a, 16 Hz)", {"a": Waveform.from_volts(record, interval=1.0)}).values()
    theirs = resample_by_dft(record, 16 * record.size)
    middle = slice(16 * 500, 16 * 700)
    np.testing.assert_allclose(ours[middle], theirs[middle], atol=1e-6)


def test_frequencies_above_half_the_new_rate_are_taken_out() -> None:
    k = np.arange(4000)
    wave = Waveform.from_volts(np.sin(2 * np.pi * 0.2 * k) + np.sin(2 * np.pi * 0.01 * k), interval=1.0)
    slow = derive("resample(a, 0.25 Hz)", {"a": wave})
    times = slow.interval * np.arange(len(slow))
    middle = slice(150, -150)
    np.testing.assert_allclose(slow.values()[middle], np.sin(2 * np.pi * 0.01 * times)[middle], atol=2e-5)


@given(st.floats(0, 1), st.floats(1, 9))
def test_weights_keep_a_constant(fraction: float, narrowing: float) -> None:
    assert interpolation_weights(np.array([fraction]), narrowing=narrowing).sum() == pytest.approx(1.0, abs=1e-12)


def test_at_a_sample_the_weights_are_that_sample() -> None:
    weights = interpolation_weights(np.array([0.0, 1.0]))
    for row, place in zip(weights, (REACH - 1, REACH), strict=True):
        np.testing.assert_allclose(row, np.eye(2 * REACH)[place], atol=1e-15)


@given(delay=st.floats(-20, 20), frequency=st.floats(0.001, 0.4))
def test_a_delayed_tone_is_the_tone_of_earlier(delay: float, frequency: float) -> None:
    k = np.arange(600)
    wave = Waveform.from_volts(np.sin(2 * np.pi * frequency * k), interval=1.0)
    late = derive(f"delay_by(a, {delay!r} s)", {"a": wave})
    times = late.start + np.arange(len(late))
    np.testing.assert_allclose(late.start, round(late.start), atol=1e-9)  # the instants of the original
    error = np.abs(late.values() - np.sin(2 * np.pi * frequency * (times - delay)))
    assert error[100:-100].max() < 1e-5


@given(st.integers(-30, 30))
def test_a_delay_of_whole_samples_moves_the_record_and_nothing_else(samples: int) -> None:
    wave = Waveform(np.arange(100, dtype=np.int16), interval=1e-9, start=5e-9)
    late = derive(f"delay_by(a, {samples}e-9 s)", {"a": wave})
    assert late.values().tolist() == wave.values().tolist()
    assert late.start == pytest.approx(wave.start + samples * 1e-9, abs=1e-21)


@given(st.floats(-3, 3))
def test_there_and_back_is_where_it_was(delay: float) -> None:
    k = np.arange(500)
    wave = Waveform.from_volts(np.sin(0.3 * k) + np.cos(1.1 * k), interval=1.0)
    back = derive(f"delay_by(delay_by(a, {delay!r} s), {-delay!r} s) - a", {"a": wave})
    assert np.abs(back.values()[100:-100]).max() < 1e-5


def test_the_record_keeps_its_length_in_time() -> None:
    wave = Waveform.from_volts(np.zeros(1001), interval=1e-6)
    assert len(derive("resample(a, 2 MHz)", {"a": wave})) == 2001
    assert len(derive("resample(a, 500 kHz)", {"a": wave})) == 501
    assert len(derive("resample(a, 300 kHz)", {"a": wave})) == 301
