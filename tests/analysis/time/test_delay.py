from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.errors import Misuse
from wavewright.waveform import Waveform


def sine(lag_deg: float, n: int = 10_000, samples: int = 1000) -> Waveform:
    angle = 2 * np.pi * np.arange(n) / samples - np.radians(lag_deg)
    return Waveform.from_volts(np.sin(angle), interval=1e-6, name="line")


def test_two_sines_of_1_khz_that_lag_by_30_degrees() -> None:
    # math: 30/360 of 1 ms; straight lines at 1000 samples per cycle cost less than 1e-6 intervals
    reading = measure([sine(0), sine(30)], "delay")
    assert reading.value == pytest.approx(83.333333e-6, rel=1e-6)


@given(st.floats(-170, 170))
def test_the_delay_is_signed_and_changes_sign_when_the_channels_are_swapped(lag: float) -> None:
    one, other = sine(20), sine(20 + lag)
    forward, backward = measure([one, other], "delay"), measure([other, one], "delay")
    assert forward.value == pytest.approx(lag / 360 * 1e-3, abs=2e-9)
    assert backward.value == pytest.approx(-forward.value, abs=1e-15)


@given(st.floats(-1.0, 1.0))
def test_both_channels_are_on_one_time_axis(start: float) -> None:
    wave = sine(0)
    moved = Waveform.from_volts(wave.codes, interval=1e-6, start=start * 4e-4)
    assert measure([wave, moved], "delay").value == pytest.approx(start * 4e-4, abs=1e-12)


def test_slopes_and_levels_may_differ() -> None:
    ramp = np.interp(np.arange(4000) % 1000, [0, 100, 500, 700, 1000], [0, 1, 1, 0, 0])
    wave = Waveform.from_volts(ramp, interval=1.0)
    # rising 50 % at 50, falling 20 % at 660
    reading = measure([wave, wave], "delay", second_slope="falling", second_level="20 %", pairing="next")
    assert reading.value == pytest.approx(610.0)


def test_the_next_edge_may_be_more_than_half_a_period_away() -> None:
    one, other = sine(0), sine(-10)
    assert measure([one, other], "delay").value == pytest.approx(-10 / 360 * 1e-3, abs=1e-9)
    assert measure([one, other], "delay", pairing="next").value == pytest.approx(350 / 360 * 1e-3, abs=1e-9)


def test_an_edge_that_is_missing_makes_no_pair_with_a_stranger() -> None:
    edges = np.arange(10) * 100 + 10
    first, second = np.zeros(1100), np.zeros(1100)
    for place in edges:
        first[place : place + 40] = 1
        if place != 510:
            second[place + 7 : place + 47] = 1
    reading = measure([Waveform.from_volts(each, interval=1.0) for each in (first, second)], "delay")
    assert reading.count == 9
    assert reading.value == pytest.approx(7.0)
    assert reading.standard_deviation == pytest.approx(0.0, abs=1e-12)


def test_a_dead_channel_gives_a_reason() -> None:
    dead = Waveform.from_volts(np.zeros(1000), interval=1e-6, name="tx")
    reading = measure([sine(0), dead], "delay")
    assert reading.value is None
    assert "`tx`" in reading.reason


def test_one_waveform_is_not_enough() -> None:
    with pytest.raises(Misuse, match="metric `delay` got 1 waveforms"):
        measure(sine(0), "delay")
