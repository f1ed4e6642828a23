from __future__ import annotations

import numpy as np
import pytest

from wavewright.analysis.doubts import Doubt
from wavewright.analysis.measure import measure
from wavewright.errors import Misuse
from wavewright.waveform import Waveform

STATES = {"low_state": 0.0, "high_state": 1.0}


def second_order_step(damping: float) -> Waveform:
    """Unit step of a second-order system, time in 1/ω_n, from 10 before the step to 200 after it."""
    x = np.maximum(np.arange(-10_000, 200_001) * 1e-3, 0)
    beta = np.sqrt(1 - damping**2)
    volts = 1 - np.exp(-damping * x) * (np.cos(beta * x) + damping / beta * np.sin(beta * x))
    return Waveform.from_volts(volts, interval=1e-3, start=-10.0)


# math: overshoot e^(−πζ/β), undershoot its square, 10–90 % and settling by root finding on the formula
STEPS = {
    "damping 0.2": (0.2, 0.526621, 0.277329, 1.20343),
    "damping 0.5": (0.5, 0.163034, 0.026580, 1.63757),
    "damping 0.7": (0.7, 0.045988, 0.002115, 2.12620),
    "damping 0.7071": (2**-0.5, 0.043214, None, 2.14804),
}


@pytest.mark.parametrize("row", STEPS)
def test_a_second_order_step(row: str) -> None:
    damping, over, under, rise = STEPS[row]
    wave = second_order_step(damping)
    # the printed digits end at 1e-6; the peak lies within half a sample, (dx/2)²/2 in height
    assert measure(wave, "overshoot", **STATES).value == pytest.approx(over, abs=1e-6)
    if under is not None:
        assert measure(wave, "undershoot", slope="rising", **STATES).value == pytest.approx(under, abs=1e-6)
    assert measure(wave, "rise_time", **STATES).value == pytest.approx(rise, abs=1e-3)
    assert measure(wave, "preshoot", **STATES).value == 0.0


def test_an_inverted_step_undershoots_as_much() -> None:
    wave = second_order_step(0.2)
    inverted = Waveform.from_volts(1 - wave.codes, interval=1e-3)
    assert measure(inverted, "undershoot", **STATES).value == pytest.approx(0.526621, abs=1e-6)
    assert measure(inverted, "overshoot", slope="falling", **STATES).value == pytest.approx(0.277329, abs=1e-6)


def test_an_ideal_low_pass_overshoots_before_as_much_as_after() -> None:
    # math: Wilbraham–Gibbs, ½ + Si(2πBt)/π, 8.948987 % (scipy.special.sici); next extreme 4.858833 %
    from scipy.special import sici

    times = np.arange(-20_000, 20_001) / 400  # in 1/B
    wave = Waveform.from_volts(0.5 + sici(2 * np.pi * times)[0] / np.pi, interval=1 / 400)
    assert measure(wave, "overshoot", **STATES).value == pytest.approx(0.08948987, abs=1e-5)
    assert measure(wave, "preshoot", **STATES).value == pytest.approx(0.08948987, abs=1e-5)
    assert measure(wave, "undershoot", slope="rising", **STATES).value == pytest.approx(0.04858833, abs=1e-5)


@pytest.mark.parametrize("dtype", [np.uint8, np.float64])
def test_aberrations_of_the_example(dtype: type) -> None:
    # math: 15/170 and 5/170 of the amplitude
    codes = [40] * 400 + list(range(50, 201, 10)) + [225] * 4 + [205] * 6 + [210] * 390
    wave = Waveform(np.array(codes, dtype=dtype), interval=1.0)
    assert measure(wave, "overshoot").value == pytest.approx(15 / 170, rel=1e-12)
    assert measure(wave, "undershoot", slope="rising").value == pytest.approx(5 / 170, rel=1e-12)


def test_each_transition_has_its_own_overshoot() -> None:
    parts = [[0] * 30 + [100 + peak] + [100] * 29 for peak in (5, 10, 15)]
    wave = Waveform(np.array([value for part in parts for value in part], dtype=np.int16), interval=1.0)
    reading = measure(wave, "overshoot")
    assert reading.occurrences is not None
    assert reading.occurrences.values == pytest.approx([0.05, 0.10, 0.15])
    assert (reading.minimum, reading.maximum) == pytest.approx((0.05, 0.15))


def test_a_region_of_three_durations_misses_slow_ringing() -> None:
    wave = second_order_step(0.2)
    late = np.where(np.arange(len(wave)) == 60_000, 3.0, wave.codes)  # 40 durations after the edge
    spike = Waveform.from_volts(late, interval=1e-3)
    assert measure(spike, "overshoot", **STATES).value == pytest.approx(2.0)
    assert measure(spike, "overshoot", region=3, **STATES).value == pytest.approx(0.526621, abs=1e-6)


@pytest.mark.parametrize("durations, is_found", [(2.9, True), (3.1, False)])
def test_a_preshoot_is_looked_for_as_far_as_three_durations_before_the_edge(durations: float, is_found: bool) -> None:
    # IEC 60469 and IEEE 181 mirror the region before the transition; its three durations are from memory, not verified
    ramp = np.interp(np.arange(40_000), [20_000, 21_000], [0.0, 1.0])  # 800 samples from 10 % to 90 %
    ramp[20_100 - round(800 * durations)] = -0.2
    reading = measure(Waveform.from_volts(ramp, interval=1e-9), "preshoot", **STATES)
    assert reading.value == pytest.approx(0.2 if is_found else 0.0, abs=1e-9)


def test_samples_that_are_not_valid_do_not_shift_the_regions() -> None:
    codes = np.array([0.0] * 30 + [1.2] + [1.0] * 29 + [0.0] * 30 + [1.3] + [1.0] * 29)
    whole = measure(Waveform.from_volts(codes, interval=1.0), "overshoot")
    holed = codes.copy()
    holed[[3, 4, 5, 40, 70, 71]] = np.nan
    assert measure(Waveform.from_volts(holed, interval=1.0), "overshoot").value == pytest.approx(whole.value)


@pytest.mark.parametrize(
    "options, message", [({"slope": "either"}, "`slope` is `either`"), ({"region": 0.0}, "`region` is `0")]
)
def test_options_that_make_no_sense_are_refused(options: dict[str, object], message: str) -> None:
    with pytest.raises(Misuse, match=message):
        measure(second_order_step(0.5), "overshoot", **options)


@pytest.mark.parametrize("metric", ["overshoot", "undershoot", "preshoot"])
def test_beside_a_transition_between_two_samples_an_aberration_is_doubted(metric: str) -> None:
    # damping 0.2, every 4000th sample, 4 in the natural time of 1/ω_n: its ringing has 1.6 samples per period
    wave = second_order_step(0.2)
    coarse = Waveform(wave.codes[::4000], interval=4.0, start=-10.0)
    fine = Waveform(wave.codes[::10], interval=0.01, start=-10.0)
    options = {**STATES, "slope": "rising"}
    assert Doubt.FEW_SAMPLES not in measure(fine, metric, **options).doubts
    reading = measure(coarse, metric, **options)
    (finding,) = (one for one in reading.findings if one.doubt is Doubt.FEW_SAMPLES)
    assert (finding.decides, finding.below, finding.above) == (True, 0.0, np.inf)
    assert finding.text.endswith("sample intervals of 4 s")
