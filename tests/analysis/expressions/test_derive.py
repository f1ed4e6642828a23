"""Derived channels: right values, made in blocks that leave no trace."""

from __future__ import annotations

import pickle
import re
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal
from scipy.integrate import cumulative_trapezoid
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from wavewright.analysis.expressions.derive import derive, filter_findings, parse_expression
from wavewright.analysis.expressions.functions import expression_functions
from wavewright.analysis.reading import Doubt
from wavewright.analysis.signals.butterworth import butterworth_sections
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Waveform

RATE = 1e6


def noise(length: int, seed: int = 204, **scale: float) -> Waveform:
    codes = np.random.default_rng(seed).integers(-128, 128, length).astype(np.int8)
    return Waveform(codes, **{"gain": 0.01, "offset": 0.3, **scale}, interval=1 / RATE, start=-1e-3)


def sections(order: int, cutoff: float | list[float], band: str) -> np.ndarray:
    # our own sections, which are SciPy's but for the last digits: tests/analysis/signals/test_butterworth.py
    cutoffs = cutoff if isinstance(cutoff, list) else [cutoff]
    name = {"low": "lowpass", "high": "highpass", "band": "bandpass"}[band]
    return butterworth_sections(order, tuple(one / (RATE / 2) for one in cutoffs), name)


REFERENCES = {
    # SciPy 1.17.1 over the whole record in one piece
    "low_pass(a, 20 kHz)": lambda x: signal.sosfiltfilt(sections(2, 20e3, "low"), x),
    "low_pass(a, 20 kHz, 5)": lambda x: signal.sosfiltfilt(sections(5, 20e3, "low"), x),
    "high_pass(a, 1 kHz, 3)": lambda x: signal.sosfiltfilt(sections(3, 1e3, "high"), x),
    "band_pass(a, 10 kHz, 30 kHz)": lambda x: signal.sosfiltfilt(sections(2, [10e3, 30e3], "band"), x),
    "low_pass_causal(a, 20 kHz)": lambda x: _settled(sections(2, 20e3, "low"), x),
    "high_pass_causal(a, 1 kHz, 1)": lambda x: _settled(sections(1, 1e3, "high"), x),
    "band_pass_causal(a, 10 kHz, 30 kHz, 4)": lambda x: _settled(sections(4, [10e3, 30e3], "band"), x),
    "integral(a)": lambda x: cumulative_trapezoid(x, dx=1 / RATE, initial=0),
    "derivative(a)": lambda x: np.gradient(x, 1 / RATE),
    "abs(a) ** 2": lambda x: np.abs(x) ** 2,
    "sqrt(abs(a / 1 V))": lambda x: np.sqrt(np.abs(x)),
    "low_pass(integral(a), 20 kHz)": lambda x: signal.sosfiltfilt(
        sections(2, 20e3, "low"), cumulative_trapezoid(x, dx=1 / RATE, initial=0)
    ),
    "low_pass(low_pass_causal(a, 20 kHz), 20 kHz)": lambda x: signal.sosfiltfilt(
        sections(2, 20e3, "low"), _settled(sections(2, 20e3, "low"), x)
    ),
    "upper_envelope(a, 9 us)": lambda x: maximum_filter1d(x, 9, mode="nearest"),
    "lower_envelope(a, 9 us)": lambda x: minimum_filter1d(x, 9, mode="nearest"),
}


def _settled(sos: np.ndarray, x: np.ndarray) -> np.ndarray:
    return signal.sosfilt(sos, x, zi=signal.sosfilt_zi(sos) * x[0])[0]


@pytest.mark.parametrize("block_size", [17, 100, 1000, 65536])
@pytest.mark.parametrize("text", REFERENCES)
def test_blocks_equal_the_whole_record_bit_for_bit(text: str, block_size: int) -> None:
    wave = noise(1000)
    derived = derive(text, {"a": wave}, block_size=block_size)
    np.testing.assert_array_equal(derived.values(), REFERENCES[text](wave.values()))
    assert (derived.interval, derived.start) == (wave.interval, wave.start)


@pytest.mark.parametrize("block_size", [17, 65536])
def test_the_moving_average_is_that_of_scipy_inside_and_shrinks_at_the_ends(block_size: int) -> None:
    wave = noise(500)
    averaged = derive("moving_average(a, 11 us)", {"a": wave}, block_size=block_size).values()
    np.testing.assert_allclose(averaged[5:-5], uniform_filter1d(wave.values(), 11)[5:-5], rtol=1e-12)
    assert averaged[0] == pytest.approx(wave.values(0, 6).mean())
    assert averaged[-1] == pytest.approx(wave.values(494).mean())


@given(
    length=st.integers(1, 300),
    blocks=st.tuples(st.integers(1, 80), st.integers(81, 400)),
    text=st.sampled_from([
        "integral(a) / 1 s - low_pass(b, 50 kHz)", "moving_average(a * b, 7 us) / 1 V", "envelope(a, 5 us) + b",
        "delay_by(a, 2.3 us) - b", "resample(a, 3.7 MHz)", "resample(a, 210 kHz)", "-2 * a + 1 V", "min(a, b, 0.2 V)",
        "high_pass_causal(low_pass(a, 100 kHz), 1 kHz) - b",
    ]),
)  # fmt: skip
def test_the_size_of_the_blocks_leaves_no_trace(length: int, blocks: tuple[int, int], text: str) -> None:
    channels = {"a": noise(length, 1), "b": noise(length, 2)}
    try:
        small, large = (derive(text, channels, block_size=size) for size in blocks)
    except NotMeasurable:
        assert length < 8  # the span of a window, or a delay, is longer than the record
        return
    np.testing.assert_allclose(small.values(), large.values(), rtol=1e-12, atol=1e-13)
    assert (small.start, small.interval) == (large.start, large.interval)


def test_scaling_one_channel_keeps_its_codes() -> None:
    wave = replace(noise(100), code_range=(-128, 127))
    derived = derive("-(a - 0.3 V) / 0.1 ohm + 2 A", {"a": wave}, name="coil")
    assert derived.codes.base is wave.codes.base or np.shares_memory(derived.codes, wave.codes)
    assert (derived.unit, derived.name, derived.code_range) == ("A", "coil", (-128, 127))
    np.testing.assert_allclose(derived.values(), -(wave.values() - 0.3) / 0.1 + 2, rtol=1e-12)


def test_a_current_from_two_channels() -> None:
    high, low = noise(50, 1), noise(50, 2)
    coil = derive("(high - low) / 0.1 ohm", {"high": high, "low": low}, name="coil")
    np.testing.assert_allclose(coil.values(), (high.values() - low.values()) / 0.1, rtol=1e-12)
    assert (coil.unit, coil.codes.dtype) == ("A", np.float64)


def test_energy_of_a_constant_load_is_power_times_time() -> None:
    # math: 24 V · 0.5 A for 999 intervals of 1 ms
    rail = Waveform.from_volts(np.full(1000, 24.0), interval=1e-3)
    current = Waveform.from_volts(np.full(1000, 0.5), interval=1e-3, unit="A")
    energy = derive("integral(rail * load)", {"rail": rail, "load": current})
    assert energy.unit == "J"
    assert energy.values()[-1] == pytest.approx(24 * 0.5 * 0.999, rel=1e-12)


@given(st.floats(-1e3, 1e3), st.floats(0.01, 10.0))
def test_the_derivative_of_the_integral_is_the_signal_within_its_curvature(offset: float, amplitude: float) -> None:
    turn = 2 * np.pi * np.arange(400) / 100
    wave = Waveform.from_volts(offset + amplitude * np.sin(turn), interval=1e-3)
    back = derive("derivative(integral(a))", {"a": wave})
    # math: the trapezium rule and the central difference together average over three samples: 1/4, 1/2, 1/4
    error = np.abs(back.values() - wave.values())[1:-1].max()
    assert error <= amplitude * (1 - np.cos(2 * np.pi / 100)) / 2 + 1e-9 * (abs(offset) + amplitude)


@pytest.mark.parametrize("text", ["low_pass(a, 20 kHz)", "moving_average(a, 11 us)"])
def test_zero_phase_keeps_the_middle_of_an_edge_where_it_is(text: str) -> None:
    step = Waveform.from_volts(np.repeat([0.0, 1.0], 500), interval=1 / RATE)
    values = derive(text, {"a": step}).values()
    # math: symmetric weights leave the middle of a step, half way between samples 499 and 500
    np.testing.assert_allclose(values[400:500] + values[599:499:-1], 1.0, atol=1e-9)


def test_a_causal_low_pass_is_down_3_db_at_its_cut_off_and_a_zero_phase_one_6() -> None:
    # math: one pass |H| = 1/sqrt(2) at the cut-off (definition of Butterworth's), two passes 1/2
    tone = Waveform.from_volts(np.sin(2 * np.pi * 0.01 * np.arange(20_000)), interval=1 / RATE)
    middle = slice(8000, 12_000)
    for text, gain in (("low_pass_causal(a, 10 kHz)", 0.5**0.5), ("low_pass(a, 10 kHz)", 0.5)):
        passed = derive(text, {"a": tone}).values()[middle]
        assert np.sqrt(2 * np.mean(passed**2)) == pytest.approx(gain, rel=1e-4)


def test_the_envelope_of_a_modulated_carrier_is_its_modulation() -> None:
    # math: carrier of 100 samples; the highest in one period is A(t) to within the change of A in half a period
    k = np.arange(20_000)
    modulation = 1 + 0.3 * np.sin(2 * np.pi * k / 10_000)
    am = Waveform.from_volts(0.2 + modulation * np.sin(2 * np.pi * k / 100), interval=1 / RATE)
    envelope = derive("envelope(a, 101 us)", {"a": am}).values()
    change = 0.3 * 2 * np.pi / 10_000 * 50
    assert np.abs(envelope - modulation)[100:-100].max() < change + 0.001


def test_values_that_do_not_exist_become_invalid_samples() -> None:
    wave = Waveform.from_volts([1.0, 0.0, -1.0], interval=1.0)
    assert np.isnan(derive("1 / a", {"a": wave}).values()).tolist() == [False, True, False]
    assert np.isnan(derive("sqrt(a)", {"a": wave}).values()).tolist() == [False, False, True]
    assert np.isnan(derive("log10(a / 1 V)", {"a": wave}).values()).tolist() == [False, True, True]


def test_invalid_samples_are_left_out_of_windows() -> None:
    wave = Waveform.from_volts([-1.0, np.nan, -3.0, -4.0, -5.0], interval=1.0)
    assert derive("moving_average(a, 3 s)", {"a": wave}).values().tolist() == [-1.0, -2.0, -3.5, -4.0, -4.5]
    assert derive("upper_envelope(a, 3 s)", {"a": wave}).values().tolist() == [-1.0, -1.0, -3.0, -3.0, -4.0]
    assert derive("lower_envelope(-a, 3 s)", {"a": wave}).values().tolist() == [1.0, 1.0, 3.0, 3.0, 4.0]


@pytest.mark.parametrize(
    "text", ["low_pass(a, 100 kHz)", "high_pass_causal(a, 100 kHz)", "integral(a)", "integral(1 / a)"]
)
def test_what_remembers_the_past_refuses_gaps_and_says_where(text: str) -> None:
    values = np.ones(200)
    values[150] = 0.0 if "/" in text else np.nan
    wave = Waveform.from_volts(values, interval=1 / RATE)
    with pytest.raises(NotMeasurable, match=r"an invalid sample at 0.00015 s") as fault:
        derive(text, {"a": wave}, block_size=64)
    assert "without gaps" in fault.value.expected


def test_channels_that_overlap_in_part_give_the_part_in_common() -> None:
    early = Waveform.from_volts([1.0, 2.0, 3.0, 4.0], interval=1e-6, start=0.0)
    late = Waveform.from_volts([10.0, 20.0, 30.0], interval=1e-6, start=2e-6)
    total = derive("a + b", {"a": early, "b": late})
    assert (total.values().tolist(), total.start) == ([13.0, 24.0], 2e-6)


def test_channels_without_common_time_are_refused() -> None:
    one, other = Waveform.from_volts([1.0], interval=1.0), Waveform.from_volts([1.0], interval=1.0, start=5.0)
    with pytest.raises(NotMeasurable, match="no time in common"):
        derive("a + b", {"a": one, "b": other})


def test_channels_at_different_rates_are_refused_with_the_way_out() -> None:
    slow = Waveform.from_volts(np.zeros(10), interval=2e-6)
    with pytest.raises(NotMeasurable, match="samples every 1e-06 s") as fault:
        derive("a + b", {"a": noise(20), "b": slow})
    assert "resample(…, 1e+06 Hz)" in fault.value.do


TOO_LITTLE = [
    ("low_pass(a, 2 MHz)", "cut-off 2e\\+06 Hz at 1e\\+06 samples/s"),
    ("low_pass(a, 0 Hz)", "cut-off 0 Hz"),
    ("band_pass(a, 3 kHz, 2 kHz)", "cut-off 3000 .. 2000 Hz"),
    ("moving_average(a, 1 s)", "a window of 1 s"),
    ("moving_average(a, 0 s)", "a window of 0 s"),
    ("resample(a, 1 mHz)", "resampling from 1e\\+06 to 0.001"),
]


@pytest.mark.parametrize("text, message", TOO_LITTLE, ids=[row[0] for row in TOO_LITTLE])
def test_a_record_that_does_not_suit_is_refused_with_its_numbers(text: str, message: str) -> None:
    with pytest.raises(NotMeasurable, match=message):
        derive(text, {"a": noise(100)})


@pytest.mark.parametrize("text", ["low_pass(a, 1 kHz, 0)", "low_pass(a, 1 kHz, 99)", "resample(a, 0 Hz)"])
def test_settings_out_of_range_are_misuse(text: str) -> None:
    with pytest.raises(Misuse):
        derive(text, {"a": noise(100)})


@pytest.mark.parametrize("name", expression_functions())
@pytest.mark.parametrize("length", [0, 1, 2, 3])
def test_every_function_takes_the_shortest_records_or_says_why_not(name: str, length: int) -> None:
    wave = noise(length)
    function = expression_functions()[name]
    forms = {"s": "1 us", "Hz": "10 kHz", "1": "a / 1 V", "any": "a", "same": "a"}
    arguments = [forms[p.unit] for p in function.takes if p.default is None]
    if name.startswith("band_pass"):
        arguments[-1] = "20 kHz"
    try:
        derived = derive(f"{name}({', '.join(arguments)})", {"a": wave})
    except NotMeasurable:
        assert length < 2  # a slope needs two samples, a window must fit
    else:
        assert len(derived) <= max(length, 1)


def test_nothing_times_a_channel_is_nothing() -> None:
    assert derive("a * 0", {"a": noise(3)}).values().tolist() == [0, 0, 0]


def test_every_function_has_a_definition() -> None:
    for function in expression_functions().values():
        assert function.definition.endswith(".")
        assert function.signature.startswith(function.name)


def test_nothing_but_the_result_is_as_long_as_the_record() -> None:
    wave = noise(2_000_000)
    tracemalloc.start()
    derived = derive("low_pass(a, 20 kHz) - moving_average(a, 9 us) + integral(a) / 1 s", {"a": wave}, block_size=8192)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak - derived.codes.nbytes < 0.3 * derived.codes.nbytes  # blocks and states, not a second record


def test_expressions_travel_to_other_processes() -> None:
    expression = pickle.loads(pickle.dumps(parse_expression("(a - 1 V) / 2 ohm")))
    assert derive(expression, {"a": noise(3)}).unit == "A"


@pytest.mark.parametrize(
    "function", ["low_pass(a, CUT)", "high_pass_causal(a, CUT)", "1 V + low_pass(low_pass(a, 100 kHz), CUT)"]
)
def test_a_filter_that_settles_later_than_the_record_ends_is_told(function: str) -> None:
    # math: a Butterworth low pass of second order settles to 1 % within about 1.04 / cut-off; 4000 samples last 4 ms
    channels = {"a": noise(4000)}
    slow, fast = (parse_expression(function.replace("CUT", cut)) for cut in ("100 Hz", "2 kHz"))
    (found,) = filter_findings(slow, channels)
    assert found.doubt is Doubt.NOT_SETTLED
    assert re.fullmatch(r"a filter needs 10\.\d+ ms to settle, and the record lasts 4 ms", found.text)
    assert filter_findings(fast, channels) == ()


def test_a_cut_off_that_no_double_can_hold_is_refused_in_words() -> None:
    with pytest.raises(NotMeasurable, match=r"cut-off 0\.001 Hz at 1e\+06 samples/s") as refused:
        derive("low_pass(a, 1 mHz)", {"a": noise(4000)})
    assert "`1 MHz`, not `1 mHz`" in str(refused.value)
