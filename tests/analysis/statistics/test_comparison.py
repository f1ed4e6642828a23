"""Comparison of two waveforms: what was done to one is what is found."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.reading import Reading
from wavewright.analysis.statistics.comparison import compare, metric_changes
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Waveform

K = np.arange(2000)


def smooth(times: np.ndarray) -> np.ndarray:
    """A band-limited signal without a period: a chirp under two bells."""
    bells = np.exp(-(((times - 800) / 150) ** 2)) + 0.7 * np.exp(-(((times - 1300) / 90) ** 2))
    return bells * np.sin(0.1 * times + 1e-4 * times**2)


FIRST = Waveform.from_volts(smooth(K), interval=1.0, name="golden")


@given(delay=st.floats(-200, 200), gain=st.floats(0.1, 10), offset=st.floats(-5, 5))
def test_delay_gain_and_offset_come_back(delay: float, gain: float, offset: float) -> None:
    second = Waveform.from_volts(gain * smooth(K - delay) + offset, interval=1.0)
    found = compare(FIRST, second)
    assert found.delay == pytest.approx(delay, abs=1e-4)
    assert found.gain == pytest.approx(gain, rel=1e-5)
    assert found.offset == pytest.approx(offset, abs=1e-5 * (1 + abs(offset)))
    assert found.correlation == pytest.approx(1, abs=1e-8)
    assert found.residual_rms < 1e-4 * gain


def test_the_offset_is_that_at_0_volts_wherever_the_records_lie() -> None:
    lifted = Waveform.from_volts(smooth(K) + 5, interval=1.0)
    found = compare(lifted, Waveform.from_volts(2 * (smooth(K) + 5) - 3, interval=1.0))
    assert (found.gain, found.offset) == pytest.approx((2, -3), abs=1e-9)


def test_a_burst_that_the_second_record_misses_does_not_attract_it() -> None:
    # the unnormalised correlation is largest where the burst lies over anything at all
    rng = np.random.default_rng(3)
    line = np.convolve(rng.normal(size=2600), np.hanning(15), mode="same")
    first, second = line[600:].copy(), line[:2000]
    first[1500:] *= 30
    found = compare(Waveform.from_volts(first, interval=1.0), Waveform.from_volts(second, interval=1.0))
    assert found.delay == pytest.approx(600, abs=1)


@given(st.integers(-300, 300))
def test_a_wave_and_its_shifted_self_differ_in_nothing_but_the_shift(samples: int) -> None:
    found = compare(FIRST, replace(FIRST, start=float(samples)))
    assert found.delay == pytest.approx(samples, abs=1e-6)
    assert found.rms_difference < 1e-6
    assert found.samples == 2000


def test_a_wave_and_itself_do_not_differ() -> None:
    found = compare(FIRST, FIRST, align="trigger")
    assert (found.delay, found.gain, found.offset) == pytest.approx((0, 1, 0), abs=1e-9)
    assert (found.rms_difference, found.largest_difference) == pytest.approx((0, 0), abs=1e-12)


def test_alignment_by_trigger_keeps_the_delay_in_the_difference() -> None:
    second = Waveform.from_volts(smooth(K - 3.3), interval=1.0)
    found = compare(FIRST, second, align="trigger")
    difference = smooth(K - 3.3) - smooth(K)
    assert found.delay == pytest.approx(3.3, abs=1e-4)
    assert found.rms_difference == pytest.approx(np.sqrt(np.mean(difference**2)), rel=1e-6)
    assert found.largest_at == np.abs(difference).argmax()
    assert found.largest_difference == pytest.approx(difference[np.abs(difference).argmax()], rel=1e-6)


def test_a_spike_is_the_largest_difference_with_sign_and_time() -> None:
    codes = FIRST.codes.copy()
    codes[1234] -= 0.5
    found = compare(FIRST, Waveform.from_volts(codes, interval=1.0), align="trigger")
    assert (found.largest_difference, found.largest_at) == (pytest.approx(-0.5, abs=1e-6), 1234)
    assert found.rms_difference == pytest.approx(0.5 / math.sqrt(2000), rel=1e-6)


def test_records_at_other_rates_and_other_starts_are_compared_at_the_first_ones_instants() -> None:
    times = -50 + 0.4 * np.arange(5000)
    second = Waveform.from_volts(1.5 * smooth(times - 0.25), interval=0.4, start=-50)
    found = compare(FIRST, second)
    assert (found.delay, found.gain) == pytest.approx((0.25, 1.5), abs=1e-4)
    assert found.samples > 1900


@pytest.mark.parametrize("delay", [0.0, 0.31, 7.5])
def test_codes_of_a_converter_with_noise(delay: float) -> None:
    # math: delay uncertainty about √2 · noise / (rms slope · √n), here below 0.02 samples; tested to five times that
    rng = np.random.default_rng(204)
    one, other = (
        Waveform(np.round(100 * smooth(K - d) + rng.normal(0, 1, K.size)).astype(np.int8), gain=0.01, interval=1.0)
        for d in (0.0, delay)
    )
    found = compare(one, other)
    assert found.delay == pytest.approx(delay, abs=0.1)
    assert found.gain == pytest.approx(1, abs=0.02)


def test_of_equally_good_delays_of_a_clock_the_nearest_is_taken() -> None:
    clock = Waveform.from_volts(np.sin(2 * np.pi * K / 50), interval=1.0)
    second = Waveform.from_volts(np.sin(2 * np.pi * (K - 4) / 50), interval=1.0)
    assert compare(clock, second).delay == pytest.approx(4, abs=1e-3)
    assert compare(second, clock).delay == pytest.approx(-4, abs=1e-3)


def test_the_delay_is_looked_for_within_what_is_allowed() -> None:
    second = replace(FIRST, start=40.0)
    assert (
        abs(compare(FIRST, second, most_delay=5).delay) <= 7
    )  # where the agreement still grows it is refined a little further
    assert compare(FIRST, second, most_delay=60).delay == pytest.approx(40, abs=1e-6)


@pytest.mark.slow
def test_a_long_record_is_thinned_first_and_still_aligned_below_a_sample() -> None:
    k = np.arange(1_200_000)
    rng = np.random.default_rng(1)
    edges = np.repeat(rng.integers(0, 2, 12_000), 100).astype(float)  # bits of 100 samples
    line = np.convolve(edges, np.ones(21) / 21, mode="same") * 100
    first = Waveform(line.astype(np.int8), gain=0.03, interval=1e-9)
    shifted = np.interp(k - 12_345.5, k, line)
    found = compare(first, Waveform(shifted.round().astype(np.int8), gain=0.03, interval=1e-9))
    assert found.delay * 1e9 == pytest.approx(12_345.5, abs=0.1)
    assert found.gain == pytest.approx(1, abs=1e-2)


UNFIT = [
    (Waveform.from_volts(np.ones(100), interval=1.0), "does not change"),
    (Waveform.from_volts(np.ones(3), interval=1.0), "has 3 samples"),
    (Waveform.from_volts([np.nan] * 100, interval=1.0), "invalid samples"),
    (replace(FIRST, start=1e6), "begins 1e\\+06 s after the first"),
]


@pytest.mark.parametrize("second, message", UNFIT, ids=[row[1] for row in UNFIT])
def test_records_that_cannot_be_compared_say_why(second: Waveform, message: str) -> None:
    with pytest.raises(NotMeasurable, match=message):
        compare(FIRST, second, align="trigger")


def test_a_current_is_not_compared_with_a_voltage() -> None:
    with pytest.raises(Misuse, match="A compared with V"):
        compare(FIRST, replace(FIRST, unit="A"))


def test_the_table_of_metrics_that_moved() -> None:
    before = {
        "frequency": Reading(12e6, "Hz", uncertainty=30.0),
        "rise_time": Reading(2e-9, "s", uncertainty=1e-10),
        "overshoot": Reading(0.0, "1"),
        "only_before": Reading(1.0, "1"),
        "period": Reading(None, "s", reason="0 edges"),
    }
    after = {
        "frequency": Reading(12e6 - 757, "Hz", uncertainty=40.0),
        "rise_time": Reading(2.1e-9, "s", uncertainty=1e-10),
        "overshoot": Reading(0.02, "1"),
        "period": Reading(1.0, "s"),
    }
    rows = {row.metric: row for row in metric_changes(before, after)}
    assert list(rows) == ["frequency", "rise_time", "overshoot", "period"]
    assert rows["frequency"].change == -757
    assert rows["frequency"].relative == pytest.approx(-63.083e-6, rel=1e-4)
    assert rows["frequency"].uncertainty == pytest.approx(50)  # math: √(30² + 40²)
    assert [row.has_moved for row in rows.values()] == [True, False, True, False]
    assert rows["overshoot"].relative is None
    assert (rows["period"].change, rows["period"].reason) == (None, "0 edges")
