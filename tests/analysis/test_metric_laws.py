"""Laws that every level, transition and pulse metric obeys: what must not change it, what must scale it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.waveform import Waveform

TIMES = [
    "rise_time", "fall_time", "settling_time", "period", "positive_pulse_width", "negative_pulse_width",
    "longest_pulse", "shortest_pulse", "time_above", "time_below",
]  # fmt: skip
RATIOS = ["overshoot", "undershoot", "preshoot", "duty_factor"]
COUNTS = ["rising_edges", "falling_edges", "cycles", "pulses", "runts", "glitches", "states"]
DIFFERENCES = ["peak_to_peak", "ac_rms", "amplitude"]
VALUES = ["minimum", "maximum", "mean", "cycle_mean", "high_level", "low_level", "state_level"]
FROM_ZERO = ["rms", "cycle_rms", "rectified_mean"]  # scale with the gain, and know where 0 is
FACTORS = ["crest_factor", "form_factor"]  # ratios of these
PER_TIME = ["frequency"]
ALL = [*TIMES, *RATIOS, *COUNTS, *DIFFERENCES, *VALUES, *FROM_ZERO, *FACTORS, *PER_TIME, "slew_rate"]

few = settings(max_examples=15)
gains = st.floats(1e-6, 1e3)
offsets = st.floats(-1e3, 1e3)


def pulses(random_seed: int = 0, *, cycles: int = 6, dtype: type = np.int8) -> Waveform:
    """Trapezoids with overshoot, undershoot and preshoot, different from each other, in codes of −60 … 100."""
    random = np.random.default_rng(random_seed)
    parts = []
    for _ in range(cycles):
        top, bottom, rise = random.integers(30, 60), random.integers(40, 90), random.integers(4, 9)
        edge = np.linspace(-40, 80, rise + 2)[1:-1].round()
        ringing = np.array([96, 84, 76, 81])
        parts += [edge, ringing, np.full(top, 80), edge[::-1], [-55, -47, -38], np.full(bottom, -40), [-46, -44]]
    codes = np.concatenate([np.full(20, -40), *parts, np.full(15, -40)])
    return Waveform(codes.astype(dtype), interval=1e-6)


def values(wave: Waveform, **options: object) -> dict[str, float | None]:
    return {name: reading.value for name, reading in measure(wave, ALL, **options).items()}


PLAIN = values(pulses())


def test_the_example_has_a_number_for_every_metric() -> None:
    assert None not in PLAIN.values()
    assert len(set(PLAIN.values())) > 20  # and they are not all alike


@few
@given(gain=gains, offset=offsets)
def test_times_ratios_and_counts_do_not_depend_on_the_vertical_scale(gain: float, offset: float) -> None:
    moved = values(replace(pulses(), gain=gain, offset=offset))
    for name in [*TIMES, *RATIOS, *COUNTS, *PER_TIME]:
        assert moved[name] == pytest.approx(PLAIN[name], rel=1e-6, abs=1e-12), name


@few
@given(gain=gains, offset=offsets)
def test_values_follow_gain_and_offset(gain: float, offset: float) -> None:
    moved = values(replace(pulses(), gain=gain, offset=offset))
    for name in DIFFERENCES:
        assert moved[name] == pytest.approx(gain * PLAIN[name], rel=1e-9), name
    for name in VALUES:
        assert moved[name] == pytest.approx(offset + gain * PLAIN[name], rel=1e-9, abs=1e-12), name
    assert moved["slew_rate"] == pytest.approx(gain * PLAIN["slew_rate"], rel=1e-6)


@few
@given(gain=gains)
def test_what_is_reckoned_from_zero_scales_with_the_gain(gain: float) -> None:
    moved = values(replace(pulses(), gain=gain))
    for name in FROM_ZERO:
        assert moved[name] == pytest.approx(gain * PLAIN[name]), name
    for name in FACTORS:
        assert moved[name] == pytest.approx(PLAIN[name]), name


@few
@given(offset=offsets)
def test_the_mean_square_is_that_of_the_mean_and_of_the_rest(offset: float) -> None:
    moved = values(replace(pulses(), offset=offset))
    assert moved["rms"] ** 2 == pytest.approx(moved["mean"] ** 2 + moved["ac_rms"] ** 2)
    assert moved["cycle_rms"] >= abs(moved["cycle_mean"]) * (1 - 1e-12)


@few
@given(start=st.floats(-1e3, 1e3))
def test_nothing_depends_on_when_the_record_was_taken(start: float) -> None:
    moved = values(replace(pulses(), start=start))
    for name in ALL:
        assert moved[name] == pytest.approx(PLAIN[name], rel=1e-9), name


@few
@given(stretch=st.floats(1e-9, 1e3))
def test_times_scale_with_the_interval_and_nothing_else_does(stretch: float) -> None:
    moved = values(replace(pulses(), interval=1e-6 * stretch))
    for name in ALL:
        factor = stretch if name in TIMES else 1 / stretch if name in (*PER_TIME, "slew_rate") else 1.0
        assert moved[name] == pytest.approx(factor * PLAIN[name], rel=1e-9), name


@few
@given(seed=st.integers(0, 1000))
def test_an_inverted_waveform_swaps_high_and_low_rising_and_falling(seed: int) -> None:
    upright = pulses(seed)
    one, other = values(upright), values(replace(upright, gain=-1.0))
    swapped = {
        "rise_time": "fall_time",
        "positive_pulse_width": "negative_pulse_width",
        "time_above": "time_below",
        "rising_edges": "falling_edges",
        "overshoot": "undershoot",
    }
    for name, mirror in swapped.items():
        assert other[name] == pytest.approx(one[mirror]), name
        assert other[mirror] == pytest.approx(one[name]), mirror
    for name, mirror in {"high_level": "low_level", "maximum": "minimum", "mean": "mean"}.items():
        assert other[name] == pytest.approx(-one[mirror]), name
    for name in [*DIFFERENCES, "rms", "rectified_mean", *FACTORS, "cycles", "runts", "glitches", "states"]:
        assert other[name] == pytest.approx(one[name]), name


@pytest.mark.parametrize("dtype", [np.int8, np.int16, np.int32, np.int64, np.float32, np.float64, ">i2", "<f4", ">f8"])
def test_the_type_of_the_codes_does_not_matter(dtype: type) -> None:
    for name, value in values(pulses(dtype=dtype)).items():
        assert value == pytest.approx(PLAIN[name], rel=1e-6, abs=1e-12), name


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_offset_binary_codes_mean_the_same_with_the_offset_taken_away(dtype: type) -> None:
    shifted = Waveform((pulses().codes.astype(int) + 128).astype(dtype), offset=-128.0, interval=1e-6)
    for name, value in values(shifted).items():
        assert value == pytest.approx(PLAIN[name], rel=1e-9, abs=1e-12), name


@few
@given(periods=st.integers(1, 40))
def test_whole_periods_more_change_no_average_over_cycles(periods: int) -> None:
    cycle = np.interp(np.arange(100), [0, 10, 45, 60, 100], [0, 100, 100, 0, 0])
    for name in ["cycle_mean", "cycle_rms", "duty_factor", "period", "rise_time", "amplitude", "overshoot"]:
        short = measure(Waveform.from_volts(np.tile(cycle, 3), interval=1.0), name).value
        long = measure(Waveform.from_volts(np.tile(cycle, 3 + periods), interval=1.0), name).value
        assert long == pytest.approx(short, rel=1e-9), name


@few
@given(factor=st.integers(2, 8))
def test_straight_lines_sampled_faster_measure_the_same(factor: int) -> None:
    places = [0, 8, 48, 64, 104]
    slow = np.interp(np.arange(520) % 104, places, [0, 100, 100, 0, 0])
    fast = np.interp((np.arange(520 * factor) / factor) % 104, places, [0, 100, 100, 0, 0])
    one = values(Waveform.from_volts(slow, interval=1.0))
    other = values(Waveform.from_volts(fast, interval=1.0 / factor))
    for name in ["rise_time", "fall_time", "period", "positive_pulse_width", "duty_factor", "frequency", "slew_rate"]:
        assert other[name] == pytest.approx(one[name], rel=1e-9), name
    for name in ["cycle_mean", "cycle_rms"]:
        assert other[name] == pytest.approx(one[name], rel=0.01), name
