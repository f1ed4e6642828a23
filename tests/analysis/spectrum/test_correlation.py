"""Correlation of channels against NumPy and SciPy, and delays that are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.correlation import correlogram, covariances
from wavewright.waveform import Floats, Waveform

RNG = np.random.default_rng(11)
SMOOTH = scipy.signal.lfilter(*scipy.signal.butter(3, 0.1), RNG.standard_normal(4000))


def wave_of(volts: Floats, *, start: float = 0.0, name: str = "") -> Waveform:
    return Waveform.from_volts(volts, interval=1e-6, start=start, name=name)


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def test_agrees_with_numpy_on_random_records() -> None:
    # source: numpy corrcoef
    x = RNG.standard_normal(100_000) + 5
    y = 0.4 * x + RNG.standard_normal(100_000)
    assert value(measure([wave_of(x), wave_of(y)], "correlation")) == pytest.approx(np.corrcoef(x, y)[0, 1], rel=1e-12)


def test_correlogram_agrees_with_scipy_and_numpy() -> None:
    x, y = RNG.standard_normal(300), RNG.standard_normal(300)
    found = correlogram(Survey(wave_of(x)), Survey(wave_of(y)), longest=100e-6)
    assert found.delays == pytest.approx(np.arange(-100, 101) * 1e-6)
    # source: numpy corrcoef of what overlaps at each delay of the second channel
    expected = [
        np.corrcoef(x[: 300 - d], y[d:])[0, 1] if d >= 0 else np.corrcoef(x[-d:], y[: 300 + d])[0, 1]
        for d in range(-100, 101)
    ]
    assert found.coefficients == pytest.approx(expected, abs=1e-12)
    # source: scipy.signal.correlate; at delay 0 all samples overlap
    raw = scipy.signal.correlate(y - y.mean(), x - x.mean())[299] / (300 * x.std() * y.std())
    assert found.coefficients[100] == pytest.approx(raw, abs=1e-12)


@pytest.mark.parametrize("delay", [-700, -3, 0, 1, 250, 495])
def test_finds_a_delay_of_whole_samples(delay: int) -> None:
    waves = [wave_of(SMOOTH[1500:2500]), wave_of(SMOOTH[1500 - delay : 2500 - delay])]
    reading = measure(waves, "correlation_delay", longest="900 us" if abs(delay) > 500 else None)
    # samples that leave the overlap at one end and enter it at the other move the top of the parabola a little
    assert value(reading) == pytest.approx(delay * 1e-6, abs=2e-8 if abs(delay) < 500 else 2e-7)


def test_a_delay_beyond_the_record_is_doubted() -> None:
    reading = measure([wave_of(SMOOTH[1500:2500]), wave_of(SMOOTH[100:1100])], "correlation_delay")
    assert Doubt.NOISY in reading.doubts


def test_delays_between_samples_are_found_within_the_uncertainty() -> None:
    k = np.arange(2000)
    for delay in np.linspace(-2, 2, 17):
        pulse = np.exp(-(((k - 1000) / 20) ** 2))
        later = np.exp(-(((k - 1000 - delay) / 20) ** 2))
        reading = measure([wave_of(pulse), wave_of(later)], "correlation_delay")
        assert reading.uncertainty is not None
        assert abs(value(reading) - delay * 1e-6) < 2 * reading.uncertainty
        assert value(reading) == pytest.approx(delay * 1e-6, abs=1e-9)


def test_uncertainty_is_of_the_size_of_the_scatter() -> None:
    rng = np.random.default_rng(12)
    readings = []
    for _ in range(100):
        noisy = [wave_of(SMOOTH[500 - d : 2500 - d] + 0.1 * rng.standard_normal(2000)) for d in (0, 7)]
        readings.append(measure(noisy, "correlation_delay"))
    scatter = np.std([value(reading) for reading in readings])
    assert 0.7 < np.mean([reading.uncertainty for reading in readings]) / scatter < 3
    assert np.mean([value(reading) for reading in readings]) == pytest.approx(7e-6, abs=3 * scatter)


def test_of_the_peaks_of_a_periodic_waveform_the_nearest_counts() -> None:
    k = np.arange(5000)
    waves = [wave_of(np.sin(2 * np.pi * (k - d) / 250)) for d in (0, 30)]
    assert value(measure(waves, "correlation_delay")) == pytest.approx(30e-6, abs=1e-8)


@given(
    gains=st.tuples(st.sampled_from([-3.0, 1e-3, 50.0]), st.sampled_from([-1.0, 2.0])),
    offset=st.floats(-100, 100),
    start=st.floats(-1, 1),
)
def test_scale_and_offset_do_not_matter_and_inversion_turns_the_sign(
    gains: tuple[float, float], offset: float, start: float
) -> None:
    noise = np.random.default_rng(3).standard_normal((2, 200))
    noise[1] += noise[0]
    plain = value(measure([wave_of(part) for part in noise], "correlation"))
    moved = [
        Waveform(part, gain=gain, offset=offset, interval=1e-6, start=start)
        for part, gain in zip(noise, gains, strict=True)
    ]
    sign = math.copysign(1, gains[0] * gains[1])
    assert value(measure(moved, "correlation")) == pytest.approx(sign * plain, rel=1e-9)


def test_only_the_time_that_both_share_counts() -> None:
    whole = wave_of(SMOOTH[:1000])
    part = wave_of(SMOOTH[300:2000], start=300e-6)
    assert value(measure([whole, part], "correlation")) == pytest.approx(1.0, abs=1e-12)
    assert value(measure([part, whole], "correlation_delay")) == pytest.approx(0.0, abs=1e-12)


def test_a_record_that_slips_by_part_of_an_interval_is_interpolated() -> None:
    # math: the same sine, sampled 0.3 intervals later, and told so, is the same signal; as it stands it is not
    times = np.arange(4000) * 1e-6
    a = wave_of(np.sin(2 * np.pi * 80e3 * times), name="a")
    later = np.sin(2 * np.pi * 80e3 * (times + 0.3e-6))
    told = measure([a, wave_of(later, start=0.3e-6, name="b")], "correlation").value
    ignored = measure([a, wave_of(later, name="b")], "correlation").value
    assert told == pytest.approx(1.0, abs=1e-4)  # the ends, where the interpolation knows one side only
    assert ignored == pytest.approx(np.cos(2 * np.pi * 80e3 * 0.3e-6), abs=1e-3)


@pytest.mark.parametrize(
    "other, reason",
    [
        (Waveform.from_volts(SMOOTH, interval=2e-6, name="b"), "sampled every 1e-06 s, `b` every 2e-06 s"),
        (wave_of(SMOOTH, start=1.0, name="b"), "share 0 samples"),
        (wave_of(np.zeros(4000), name="b"), "constant"),
    ],
)
def test_records_that_do_not_lie_beside_each_other_are_refused(other: Waveform, reason: str) -> None:
    reading = measure([wave_of(SMOOTH, name="a"), other], "correlation")
    assert reading.value is None
    assert reason in reading.reason


def test_unlike_waveforms_are_doubted() -> None:
    waves = [wave_of(part) for part in np.random.default_rng(5).standard_normal((2, 1000))]
    assert Doubt.NOISY in measure(waves, "correlation_delay", longest="100 us").doubts


def test_each_mean_is_that_of_its_own_channel() -> None:
    # definition: the arithmetic mean of the samples
    first = wave_of(np.array([1.0, 2.0, 3.0, 6.0]), name="first")
    second = wave_of(np.array([-10.0, 0.0, 5.0, 9.0]), name="second")
    found = covariances(Survey(first), Survey(second))
    assert found.means == pytest.approx((3.0, 1.0), abs=1e-3)
