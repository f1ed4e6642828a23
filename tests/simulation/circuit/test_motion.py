"""First-order filters on voltages in closed form, against the textbook and against SciPy's state-space integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lsim

from wavewright.simulation.circuit.motion import Motion, Sinusoid, polyline

CORNER = 1591.549431  # Hz: 10 kΩ with 10 nF


def step(height: float = 1.0) -> Motion:
    return polyline([0.0, 0.0], [0.0, height])


def square(period: float, count: int, *, settled_on: float = 0.5) -> Motion:
    moments = np.repeat(np.arange(count) * period / 2, 2)[1:]
    levels = (np.arange(count) % 2 == 0).astype(float)
    volts = np.repeat(levels, 2)[:-1]
    return polyline(moments, volts).settled_on(settled_on)


def test_a_step_through_a_low_pass_is_an_exponential() -> None:
    tau = 1 / (2 * math.pi * CORNER)
    times = np.arange(500) * 1e-6
    found = step().low_passed(CORNER).sampled(0.0, 1e-6, 500)
    assert found == pytest.approx(1 - np.exp(-times / tau), abs=1e-12)  # math: RC charging


def test_rise_time_of_an_rc_edge_is_ln_9_tau() -> None:
    tau = 1 / (2 * math.pi * CORNER)
    volts = step().low_passed(CORNER).sampled(0.0, 1e-8, 100_000)
    rise = (np.searchsorted(volts, 0.9) - np.searchsorted(volts, 0.1)) * 1e-8
    assert rise == pytest.approx(math.log(9) * tau, abs=2e-8)  # math; two sample intervals


@pytest.mark.parametrize(
    "ratio, gain_db, phase_deg",
    [(1.0, -3.010300, -45.0), (10.0, -20.043214, -84.289407)],
)
def test_gain_and_phase_of_a_low_pass(ratio: float, gain_db: float, phase_deg: float) -> None:
    tone = Motion(tones=(Sinusoid(ratio * CORNER, 1.0),)).low_passed(CORNER).tones[0].phasor
    assert 20 * math.log10(abs(tone)) == pytest.approx(gain_db, abs=1e-6)  # math
    assert math.degrees(np.angle(tone)) == pytest.approx(phase_deg, abs=1e-6)  # math


@pytest.mark.parametrize(
    "share, error",
    [(1 / 10, -0.004963), (1 / 5, -0.019419), (1 / 3, -0.051317), (1 / 2, -0.105573), (1, -0.292893)],
)
def test_amplitude_error_of_one_pole(share: float, error: float) -> None:
    tone = Motion(tones=(Sinusoid(share * 100e6, 1.0),)).low_passed(100e6).tones[0].phasor
    assert abs(tone) - 1 == pytest.approx(error, abs=1e-6)  # math: 1/√(1 + share²)


@pytest.mark.parametrize(
    "corner, tilt", [(1.0, 0.00314159), (10.0, 0.03141334), (50.0, 0.15675745), (100.0, 0.31160066)]
)
def test_tilt_of_an_ac_coupled_square(corner: float, tilt: float) -> None:
    # math: 2 tanh(π fc / 2f) over half the peak-to-peak drive, in the steady state
    period = 1e-3
    periods = 40 + math.ceil(10 / (2 * math.pi * corner) / period)
    coupled = square(period, 2 * periods).high_passed(corner)
    last = (periods - 1) * period
    begin, end = coupled.sampled(last + 1e-12, period / 2 - 2e-12, 2)
    assert (begin - end) / 0.5 == pytest.approx(tilt, abs=1e-5)


def test_droop_of_one_pulse() -> None:
    drooped = step().high_passed(10.0).sampled(0.0, 1e-3, 2)
    assert 1 - drooped[1] / drooped[0] == pytest.approx(0.06089863, abs=1e-8)  # math: 1 − exp(−2π fc t)


def test_rise_on_10_kohm_with_a_probe() -> None:
    # 12 pF on 10 kΩ beside 10 MΩ: math
    resistance = 10e3 * 10e6 / (10e3 + 10e6)
    corner = 1 / (2 * math.pi * resistance * 12e-12)
    assert corner == pytest.approx(1.327617e6, rel=1e-6)
    volts = step().low_passed(corner).sampled(0.0, 1e-10, 20_000)
    rise = (np.searchsorted(volts, 0.9) - np.searchsorted(volts, 0.1)) * 1e-10
    assert rise == pytest.approx(263.4035e-9, abs=2e-10)


def test_a_chain_of_filters_agrees_with_scipy() -> None:
    # SciPy 1.15 or later, scipy.signal.lsim, zero-order hold: exact for a staircase on the sample grid
    interval, period = 5e-7, 1e-3
    low, second, high = (2 * math.pi * corner for corner in (20e3, 50e3, 50.0))
    numerator = [low * second, 0.0]
    denominator = np.polymul(np.polymul([1, low], [1, second]), [1, high])
    index = np.arange(20_000)
    drive = (index % 2000 < 1000).astype(float)
    _, expected, _ = lsim((numerator, denominator), drive, index * interval, interp=False)
    # a hair early, so that a sample on an edge is after it in both
    found = square(period, 20, settled_on=0.0).low_passed(20e3).low_passed(50e3).high_passed(50.0)
    assert found.sampled(1e-15, interval, 20_000) == pytest.approx(expected, abs=1e-8)


def test_a_ramp_lags_by_the_time_constant() -> None:
    ramp = polyline([0.0, 1.0], [0.0, 1.0]).low_passed(1000.0)
    assert 0.5 - ramp.sampled(0.5, 1.0, 1)[0] == pytest.approx(1 / (2 * math.pi * 1000), rel=1e-9)  # math


def test_two_filters_with_the_same_corner_do_not_meet_in_one_pole() -> None:
    tau = 1 / (2 * math.pi * CORNER)
    times = np.arange(1, 500) * 1e-6
    found = step().low_passed(CORNER).low_passed(CORNER).sampled(1e-6, 1e-6, 499)
    assert found == pytest.approx(1 - (1 + times / tau) * np.exp(-times / tau), abs=1e-3)  # math: double pole


def test_an_rms_of_triangular_ripple_is_its_peak_to_peak_over_2_root_3() -> None:
    # math
    volts = polyline(np.arange(2001) * 0.5e-3, np.where(np.arange(2001) % 2, 15e-3, -15e-3)).sampled(0, 1e-6, 1_000_000)
    assert np.sqrt(np.mean(volts**2)) == pytest.approx(8.660254e-3, rel=1e-5)


@given(corner=st.floats(1.0, 1e8), gain=st.floats(-10, 10), shift=st.floats(-50, 50))
def test_filters_are_linear_and_let_dc_through_or_not(corner: float, gain: float, shift: float) -> None:
    motion = polyline([0.0, 1e-3, 2e-3, 2e-3], [0.0, 1.0, 1.0, -1.0])
    moved = motion.scaled(gain).shifted(shift)
    plain = motion.low_passed(corner).sampled(0.0, 1e-5, 300)
    assert moved.low_passed(corner).sampled(0.0, 1e-5, 300) == pytest.approx(gain * plain + shift, abs=1e-9)
    plain = motion.high_passed(corner).sampled(0.0, 1e-5, 300)
    assert moved.high_passed(corner).sampled(0.0, 1e-5, 300) == pytest.approx(gain * plain, abs=1e-9)


@given(corner=st.floats(10.0, 1e6))
def test_low_pass_and_high_pass_add_up_to_the_input(corner: float) -> None:
    motion = polyline([0.0, 0.0, 1e-3, 2e-3], [0.0, 1.0, 0.5, 2.0])
    both = motion.low_passed(corner).plus(motion.high_passed(corner))
    assert both.sampled(-1e-3, 1e-5, 400) == pytest.approx(motion.sampled(-1e-3, 1e-5, 400), abs=1e-9)


@given(start=st.floats(-1e-3, 3e-3), interval=st.floats(1e-7, 1e-4))
def test_samples_do_not_depend_on_how_many_are_taken_at_once(start: float, interval: float) -> None:
    motion = square(1e-4, 50).low_passed(1e5).high_passed(100.0)
    whole = motion.sampled(start, interval, 64)
    assert motion.sampled(start + 32 * interval, interval, 32) == pytest.approx(whole[32:], abs=1e-6)


def test_a_polyline_with_two_points_at_one_moment_steps_there() -> None:
    volts = polyline([0.0, 1.0, 1.0, 2.0], [0.0, 1.0, 5.0, 5.0]).sampled(0.5, 0.5, 4)
    assert volts.tolist() == [0.5, 5.0, 5.0, 5.0]


@pytest.mark.parametrize("quality", [0.6, 2.0, 6.0])
@pytest.mark.parametrize("shape", ["step", "ramps", "edges of one pole", "another resonance"])
def test_a_resonance_is_what_the_state_equations_make_of_it(shape: str, quality: float) -> None:
    frequency = 1e6
    drive = {
        "step": step(),
        "ramps": polyline([0.0, 1e-6, 3e-6, 3.4e-6], [0.0, 1.0, 1.0, 0.2]),
        "edges of one pole": polyline([0.0, 0.4e-6, 3e-6, 3.3e-6], [0.0, 1.0, 1.0, 0.0]).low_passed(2e6),
        "another resonance": polyline([0.0, 0.4e-6, 3e-6, 3.3e-6], [0.0, 1.0, 1.0, 0.0]).resonated(3e6, 4.0),
    }[shape]
    found = drive.resonated(frequency, quality).sampled(0.0, 1e-9, 6000)
    turn = 2 * math.pi * frequency
    system = ([turn**2], [1.0, turn / quality, turn**2])
    times = np.arange(6000) * 1e-9
    _, expected, _ = lsim(system, drive.sampled(0.0, 1e-9, 6000), times, interp=shape != "step")
    assert found == pytest.approx(expected, abs=2e-3 if shape == "step" else 2e-4)


def test_overshoot_of_a_resonance_is_that_of_the_textbook() -> None:
    # math: exp(-pi / sqrt(4 Q^2 - 1)) of a step, half a period of the damped oscillation after it
    quality, frequency = 3.0, 1e6
    volts = step().resonated(frequency, quality).sampled(0.0, 1e-10, 20_000)
    assert float(volts.max()) - 1 == pytest.approx(math.exp(-math.pi / math.sqrt(4 * quality**2 - 1)), rel=1e-5)
    half = 0.5 / (frequency * math.sqrt(1 - 1 / (4 * quality**2)))
    assert int(volts.argmax()) * 1e-10 == pytest.approx(half, abs=2e-10)
    tone = Motion(tones=(Sinusoid(frequency, 1.0),)).resonated(frequency, quality).tones[0].phasor
    assert abs(tone) == pytest.approx(quality)  # math: at resonance
