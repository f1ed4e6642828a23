"""Budgets of readings against closed forms of what an error of the input does to them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import wavewright as ww
from wavewright.analysis.catalogue import Metric
from wavewright.analysis.doubts import Doubt
from wavewright.analysis.measure import measure_surveys
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.analysis.uncertainty.budget import Budget, combined, difference, mean
from wavewright.analysis.uncertainty.influences import InputOfReading
from wavewright.waveform import Waveform

ROOT3 = math.sqrt(3)


def codes_of(volts: np.ndarray, *, gain: float = 0.01, offset: float = 0.0) -> np.ndarray:
    return np.round((volts - offset) / gain).astype(np.int32)


def wave(volts: np.ndarray, *, name: str = "rail", gain: float = 0.01, offset: float = 0.0) -> Waveform:
    return Waveform(
        codes_of(volts, gain=gain, offset=offset),
        gain=gain,
        offset=offset,
        interval=1e-6,
        name=name,
        code_range=(-round(5.12 / gain), round(5.12 / gain) - 1),  # a range of 10.24 V
    )


def square(periods: int = 40, *, low: float = 0.0, high: float = 3.0, rise: int = 20) -> np.ndarray:
    edge = np.linspace(low, high, rise + 1)
    period = np.concatenate([np.full(80, low), edge, np.full(80, high), edge[::-1]])
    return np.tile(period, periods)


def part(budget: Budget | None, word: str) -> float:
    """The standard uncertainty of the contributions whose name begins so; 0 if there are none."""
    assert budget is not None
    return math.hypot(*(one.standard for one in budget.contributions if one.name.startswith(word)))


def test_a_gain_that_dominates_gives_95_percent_of_its_limit() -> None:
    reading = ww.measure(wave(np.full(5000, 3.0), gain=1e-5), "mean", accuracy=Accuracy(gain="1.5 %", offset=0))
    assert reading.budget is not None
    assert reading.budget.expanded(0.95) == pytest.approx(0.95 * 0.015 * 3.0, rel=1e-6)


def test_gain_and_offset_of_a_level_make_a_trapezium() -> None:
    level = wave(np.full(5000, 3.0))
    reading = ww.measure(level, "mean", accuracy=Accuracy(gain="2 %", offset="0.5 % of range + 1 mV"))
    assert reading.budget is not None
    gain, offset = 0.02 * 3.0, 0.005 * 10.24 + 0.001
    assert part(reading.budget, "gain") == pytest.approx(gain / ROOT3)
    assert part(reading.budget, "offset") == pytest.approx(offset / ROOT3)
    alone = Budget(3.0, "V", tuple(one for one in reading.budget.contributions if one.key))
    # closed form of the sum of two rectangular errors; code steps come on top in the whole budget
    assert alone.expanded(0.95) == pytest.approx(gain + offset - math.sqrt(4 * gain * offset * 0.05), rel=1e-9)
    assert reading.budget.expanded(0.95) > alone.expanded(0.95)


def test_sensitivities_are_those_of_the_formula() -> None:
    budget = ww.measure(wave(np.full(5000, 3.0)), "mean", accuracy=Accuracy(gain="2 %", offset="1 mV")).budget
    assert budget is not None
    found = {one.name.split()[0]: one.sensitivity for one in budget.contributions}
    assert found["gain"] == pytest.approx(3.0)  # V per unit of relative gain error
    assert found["offset"] == pytest.approx(1.0)


NOT_INFLUENCED = [
    ("amplitude", "offset"),
    ("peak_to_peak", "offset"),
    ("frequency", "gain"),
    ("frequency", "offset"),
    ("duty_factor", "time base"),
    ("duty_factor", "gain"),
    ("rise_time", "offset"),
    ("mean", "time base"),
]


@pytest.mark.parametrize("metric, cause", NOT_INFLUENCED)
def test_what_does_not_bear_on_a_metric_makes_nothing(metric: str, cause: str) -> None:
    accuracy = Accuracy(gain="1 %", offset="20 mV", timebase="50 ppm", bandwidth="100 MHz")
    budget = ww.measure(wave(square()), metric, accuracy=accuracy).budget
    assert budget is not None
    assert part(budget, cause) <= 1e-9 * abs(budget.value)
    assert budget.is_complete


TIMES = [("period", 1.0), ("frequency", -1.0), ("rise_time", 1.0), ("slew_rate", -1.0), ("time_above", 1.0)]


@pytest.mark.parametrize("metric, power", TIMES)
def test_the_time_base_scales_times(metric: str, power: float) -> None:
    budget = ww.measure(wave(square()), metric, accuracy=Accuracy(gain=0, offset=0, timebase="50 ppm")).budget
    assert budget is not None
    (found,) = (one for one in budget.contributions if one.name == "time base")
    assert found.standard == pytest.approx(power * budget.value * 50e-6 / ROOT3, rel=1e-4)


def test_a_fixed_threshold_on_a_slope_turns_an_offset_into_time() -> None:
    # math: an offset o moves the crossing of a fixed level by o over the slope; here 3 V in 2000 us
    ramp = np.concatenate([np.zeros(100), np.linspace(0, 3, 2001), np.full(100, 3.0)])
    reading = ww.measure(
        wave(ramp, gain=1e-5),
        "time_between",
        **{"from": "rising 10 mV", "to": "rising 2 V"},
        accuracy=Accuracy(gain="1 %", offset=0, timebase=0),
    )
    assert reading.value == pytest.approx(1.99 / 1500, rel=1e-3)
    # a gain too high by 1 % crosses 2 V 1 % earlier, 10 mV as well
    assert part(reading.budget, "gain") == pytest.approx(0.01 * 1.99 / 1500 / ROOT3, rel=1e-3)


def test_an_offset_bends_the_rms_of_a_sine_about_zero() -> None:
    # math: √(r² + o²) − r is o² / 2r to first order, whichever sign the offset has
    sine = wave(2 * np.sin(2 * np.pi * np.arange(10_000) / 100), gain=0.001)
    budget = ww.measure(sine, "rms", accuracy=Accuracy(gain=0, offset="300 mV")).budget
    assert budget is not None
    rms, offset = math.sqrt(2), 0.3 / ROOT3
    curvature = 2 * (math.hypot(rms, offset) - rms)
    assert part(budget, "offset") == pytest.approx(curvature / math.sqrt(2), rel=1e-2)
    # drawn: the rms with offsets from the whole of ± 300 mV
    drawn = np.hypot(rms, np.random.default_rng(5).uniform(-0.3, 0.3, 100_000)) - rms
    assert part(budget, "offset") == pytest.approx(math.sqrt(float(np.mean(drawn**2))), rel=0.15)


def two(late: int = 30) -> list[Waveform]:
    signal = square()
    return [wave(signal, name="first"), wave(np.roll(signal, late), name="second")]


def test_skew_is_between_two_inputs() -> None:
    accuracy = Accuracy(gain=0, offset=0, timebase=0, skew="2 us")
    one, other = two()
    there = ww.measure([one, other], "delay", accuracy=accuracy).budget
    back = ww.measure([other, one], "delay", accuracy=accuracy).budget
    assert there is not None
    assert back is not None
    assert part(there, "skew") == pytest.approx(2e-6 / ROOT3, rel=1e-6)
    # there and back is one unknown delay: it cancels in their sum
    assert part(combined(0.0, "s", [(1.0, there), (1.0, back)]), "skew") <= 1e-15


def test_a_time_on_one_input_knows_no_skew() -> None:
    one, _ = two()
    budget = ww.measure([one, one], "delay", accuracy=Accuracy(gain=0, offset=0, timebase=0, skew="2 us")).budget
    assert part(budget, "skew") == 0.0


def test_inputs_of_two_instruments_have_an_unknown_delay() -> None:
    one, other = two()
    known = Accuracy(gain=0, offset=0, timebase=0, skew="2 us")
    budget = ww.measure(
        [one, other], "delay", accuracy={"first": known.at("digitizer"), "second": known.at("other")}
    ).budget
    assert budget is not None
    assert budget.missing == ("skew between `first` and `second`",)


def test_two_readings_of_one_input_share_its_errors() -> None:
    accuracy = Accuracy(gain="1 %", offset="50 mV").at("digitizer", "input1")
    readings = ww.measure(wave(square()), ["high_level", "low_level", "amplitude"], accuracy=accuracy)
    high, low, amplitude = (readings[name].budget for name in ("high_level", "low_level", "amplitude"))
    assert high is not None
    assert low is not None
    apart = difference(high, low)
    assert part(apart, "offset") <= 1e-12
    assert part(apart, "gain") == pytest.approx(part(amplitude, "gain"))
    assert {one.key for one in high.contributions} == {"", "digitizer:input1:gain", "digitizer:input1:offset"}


def test_what_is_not_stated_is_missing_only_where_it_bears() -> None:
    level = ww.measure(wave(square()), "high_level", accuracy=Accuracy(timebase="10 ppm")).budget
    frequency = ww.measure(wave(square()), "frequency", accuracy=Accuracy(timebase="10 ppm")).budget
    assert level is not None
    assert frequency is not None
    assert level.missing == ("gain of `rail`", "offset of `rail`")
    assert frequency.is_complete
    assert not ww.measure(wave(square()), "frequency", accuracy=Accuracy(gain="1 %")).budget.is_complete


def test_a_share_of_an_unknown_range_is_missing() -> None:
    unknown = Waveform(codes_of(square()), gain=0.01, interval=1e-6, name="rail")
    budget = ww.measure(unknown, "high_level", accuracy=Accuracy(gain=0, offset="1 % of range")).budget
    assert budget is not None
    assert budget.missing == ("offset of `rail`",)


def test_without_an_accuracy_there_is_no_budget() -> None:
    assert ww.measure(wave(square()), "high_level").budget is None


def test_an_accuracy_of_a_waveform_that_is_not_there_is_refused() -> None:
    with pytest.raises(ww.WavewrightError, match="no such waveform"):
        ww.measure(wave(square()), "mean", accuracy={"feed": Accuracy(gain="1 %")})


def test_non_linearity_is_one_curve_within_its_bound() -> None:
    # a curve within ± 50 mV of the straight line: a level and an average are off by that, a difference by twice as much
    stated = Accuracy(gain=0, offset=0, nonlinearity="50 mV")
    readings = ww.measure(wave(square()), ["high_level", "amplitude", "mean"], accuracy=stated)
    for name, limit in (("high_level", 0.05), ("amplitude", 0.1), ("mean", 0.05)):
        budget = readings[name].budget
        assert part(budget, "non-linearity") == pytest.approx(limit / ROOT3, rel=1e-2)
        assert [one.is_bound for one in budget.contributions if one.name.startswith("non-linearity")] == [True]
    level = ww.measure(wave(np.full(500, 2.0)), "mean", accuracy=stated).budget
    assert part(level, "non-linearity") == pytest.approx(0.05 / ROOT3)


def test_non_linearity_never_leaves_a_difference_of_two_readings() -> None:
    # the curve at 3 V says nothing about the curve at 1 V: 2 · 50 mV at most, and not nothing
    stated = Accuracy(gain=0, offset=0, nonlinearity="50 mV", instrument="digitizer", input="1")
    high, low = (ww.measure(wave(np.full(500, level)), "mean", accuracy=stated).budget for level in (3.0, 1.0))
    assert high is not None
    assert low is not None
    assert part(difference(high, low), "non-linearity") == pytest.approx(0.1 / ROOT3)
    # of one reading in several shots it is one error, which no averaging makes less
    assert part(mean([high, high, high]), "non-linearity") == pytest.approx(0.05 / ROOT3)


SHAPES = {
    "sine": lambda turns: np.sin(2 * np.pi * turns),
    "square": lambda turns: np.where(np.mod(turns, 1) < 0.4, 1.0, -0.9),
    "triangle": lambda turns: 1 - 4 * np.abs(np.mod(turns, 1) - 0.5),
}
BENT = ["mean", "rms", "ac_rms", "rectified_mean", "maximum", "minimum", "peak_to_peak", "amplitude", "high_level",
        "low_level", "duty_factor", "crest_factor", "cycle_mean", "positive_pulse_width", "rise_time", "thd", "sinad",
        "sfdr"]  # fmt: skip

OF_A_TONE = ("thd", "sinad", "sfdr")


def bent(values: np.ndarray, draw: np.random.Generator, *, limit: float, full: float) -> np.ndarray:
    """Values through a smooth curve that is drawn: five harmonics over the range, as large as the limit allows."""
    place = np.linspace(-1, 1, 513)
    curve = np.zeros(place.size)
    for order in range(1, 6):
        curve += draw.normal() / order * np.cos(np.pi * order * (place + 1) / 2 + draw.uniform(0, 2 * np.pi))
    curve = curve - np.polyval(np.polyfit(place, curve, 1), place)  # what gain and offset take out is none of it
    curve *= limit / np.abs(curve).max()
    return np.asarray(values + np.interp(values / full, place, curve))


@pytest.mark.parametrize("shape", SHAPES)
def test_draws_of_smooth_curves_lie_within_the_bound(shape: str) -> None:
    """Curves that reach the limit somewhere: no reading is off by more than the bound, and 95 % lie within U."""
    limit, draw = 0.02, np.random.default_rng(17)
    values = 1.0 + 2.0 * SHAPES[shape](np.arange(4000) / 400 + 0.1)
    stated = Accuracy(gain=0, offset=0, timebase=0, nonlinearity=limit, noise_floor=0)
    names = [name for name in BENT if shape == "sine" or name not in OF_A_TONE]
    known = ww.measure(ww.Waveform.from_volts(values, interval=1e-6, name="a"), names, accuracy=stated)
    outside = dict.fromkeys(names, 0)
    rounds = 60
    for _ in range(rounds):
        found = ww.measure(ww.Waveform.from_volts(bent(values, draw, limit=limit, full=4.0), interval=1e-6), names)
        for name in names:
            budget, off = known[name].budget, abs(found[name].value - known[name].value)
            outside[name] += off > budget.expanded()
            assert off <= part(budget, "non-linearity") * ROOT3 * 1.05 + 1e-9, name
    assert max(outside.values()) <= 6, outside  # binomial: more than 6 of 60 at 5 % in 3 % of all tries


def test_temperature_adds_to_the_limits_at_calibration() -> None:
    drift = {"gain": "100 ppm", "offset": "1 mV", "timebase": "2 ppm", "within": "10 K"}
    stated = Accuracy(gain="1 %", offset="5 mV", timebase="10 ppm", temperature=drift)
    readings = ww.measure(wave(square()), ["high_level", "period"], accuracy=stated)
    level, period = readings["high_level"].budget, readings["period"].budget
    assert part(level, "gain of `rail`: temperature") == pytest.approx(1e-3 * 3.0 / ROOT3, rel=1e-6)
    assert part(level, "offset of `rail`: temperature") == pytest.approx(10e-3 / ROOT3)
    assert period is not None
    assert part(period, "time base: temperature") == pytest.approx(20e-6 * period.value / ROOT3, rel=1e-4)


def test_the_probe_has_its_own_line() -> None:
    budget = ww.measure(wave(square()), "high_level", accuracy=Accuracy(gain=0, offset=0, attenuation="2 %")).budget
    assert part(budget, "attenuation of the probe") == pytest.approx(0.02 * 3.0 / ROOT3)


def test_a_count_that_another_takes_the_place_of_is_in_doubt() -> None:
    # every other pulse ends 20 mV above the level at which pulses are counted
    low_ones = np.tile(np.concatenate([square(1), square(1, high=1.67)]), 20)
    counted = wave(low_ones)
    exact = Accuracy(gain="0.1 %", offset="1 mV", timebase=0)
    coarse = Accuracy(gain="2 %", offset="1 mV", timebase=0)
    options = {"level": "1.65 V", "hysteresis": "10 mV"}
    assert ww.measure(counted, "rising_edges", accuracy=exact, **options).doubts == ()
    reading = ww.measure(counted, "rising_edges", accuracy=coarse, **options)
    assert reading.value == 40
    (finding,) = (one for one in reading.findings if one.doubt is Doubt.DEPENDS_ON_ACCURACY)
    assert (finding.below, finding.above, finding.decides) == (20.0, 0.0, False)
    assert "20 to 40" in finding.text


def test_a_reading_that_is_lost_within_the_accuracy_is_in_doubt() -> None:
    # the pulse reaches 3.0 V and the level is at 2.99 V: 2 % less, and it is not crossed
    reading = ww.measure(
        wave(square()),
        "time_between",
        **{"from": "rising 2.99 V", "to": "falling 2.99 V"},
        accuracy=Accuracy(gain="2 %", offset=0, timebase=0),
    )
    (finding,) = (one for one in reading.findings if one.doubt is Doubt.DEPENDS_ON_ACCURACY)
    assert finding.decides
    assert "gain of `rail`" in finding.text


def cubed(survey: Survey) -> Reading:
    """A metric of somebody else's, of which the engine knows nothing."""
    return Reading(survey.wave.value_of(survey.record.moments.mean) ** 3, "V^3", uncertainty=None)


def test_a_metric_of_another_package_has_a_budget_too() -> None:
    survey = Survey(wave(np.full(1000, 2.0)))
    metric = Metric("cubed", "V^3", "a test", (1, 1), cubed)
    inputs = [InputOfReading("rail", survey, Accuracy(gain="1 %", offset=0))]
    reading = measure_surveys([survey], metric, {}, inputs=inputs)
    assert part(reading.budget, "gain") == pytest.approx(3 * 8 * 0.01 / ROOT3, rel=1e-3)  # math: 3·x²·dx


def begins(survey: Survey) -> Reading:
    """The mean of the first hundred samples, without any idea of its uncertainty."""
    return Reading(float(survey.wave.values(0, 100).mean()), "V")


def test_noise_that_the_metric_does_not_know_is_drawn() -> None:
    noisy = 2.0 + np.random.default_rng(8).normal(0, 0.05, 20_000)
    survey = Survey(wave(noisy, gain=0.001))
    metric = Metric("begins", "V", "a test", (1, 1), begins)
    inputs = [InputOfReading("rail", survey, Accuracy(gain=0, offset=0))]
    budget = measure_surveys([survey], metric, {}, inputs=inputs).budget
    assert budget is not None
    # math: σ/√100; a standard deviation of 16 draws scatters by 1/√30 of itself
    assert budget.standard == pytest.approx(0.005, rel=3 / math.sqrt(30))
    assert budget.degrees_of_freedom == 15
    assert budget == measure_surveys([Survey(survey.wave)], metric, {}, inputs=inputs).budget  # the same every time
    long = Survey(wave(np.resize(noisy, 200_000)))
    budget = measure_surveys(
        [long], metric, {}, inputs=[InputOfReading("rail", long, Accuracy(gain=0, offset=0))]
    ).budget
    assert budget is not None
    assert budget.missing == ("noise of the record",)


def test_budgets_do_not_depend_on_what_else_is_measured() -> None:
    noisy = square() + np.random.default_rng(3).normal(0, 0.02, square().size)
    accuracy = Accuracy(gain="1.5 %", offset="0.5 % of range + 1 mV", timebase="10 ppm", nonlinearity="10 mV")
    names = ["duty_factor", "rise_time", "overshoot", "high_level", "rms", "cycle_rms", "period", "pulses"]
    together = ww.measure(wave(noisy), names, accuracy=accuracy)
    backwards = ww.measure(wave(noisy), names[::-1], accuracy=accuracy)
    for name in names:
        alone = ww.measure(wave(noisy), name, accuracy=accuracy)
        assert alone.budget == together[name].budget == backwards[name].budget, name


def test_the_bandwidth_of_the_set_up_is_in_an_edge() -> None:
    # common practice, no source: the set-up adds its 0.35/B to the edge as a square; 50 kHz add 7 us to 16 us
    slow = Accuracy(gain=0, offset=0, timebase=0, bandwidth="50 kHz")
    reading = ww.measure(wave(square()), "rise_time", accuracy=slow)
    assert reading.value == pytest.approx(16e-6, rel=0.01)
    own = math.log(9) / (2 * math.pi * 50e3)
    longer = reading.value - math.sqrt(reading.value**2 - own**2)
    assert part(reading.budget, "bandwidth") == pytest.approx(longer / ROOT3, rel=1e-9)
    low, _ = reading.budget.interval(0.95)
    assert low < math.sqrt(reading.value**2 - own**2) + 0.05 * longer
    # a tolerance is taken at its slow end, and an edge that the set-up makes alone may be anything down to 0
    loose = ww.measure(wave(square()), "rise_time", accuracy=Accuracy(gain=0, offset=0, bandwidth="50 kHz ± 20 %"))
    assert part(loose.budget, "bandwidth") > part(reading.budget, "bandwidth")
    alone = ww.measure(wave(square()), "rise_time", accuracy=Accuracy(gain=0, offset=0, bandwidth="20 kHz"))
    assert part(alone.budget, "bandwidth") == pytest.approx(reading.value / ROOT3)
    slope = ww.measure(wave(square()), "slew_rate", accuracy=slow)
    assert part(slope.budget, "bandwidth") / slope.value == pytest.approx(
        (reading.value / (reading.value - longer) - 1) / ROOT3, rel=0.01
    )
    unknown = ww.measure(wave(square()), "rise_time", accuracy=Accuracy(gain=0, offset=0, timebase=0)).budget
    assert unknown is not None
    assert unknown.missing == ("bandwidth of `rail`",)


def test_aperture_jitter_is_in_a_time_that_was_read_once() -> None:
    stated = Accuracy(gain=0, offset=0, timebase=0, aperture_jitter="1 ns")
    once = ww.measure(
        wave(square(1)), "time_between", **{"from": "rising 1 V", "to": "falling 1 V"}, accuracy=stated
    ).budget
    often = ww.measure(wave(square()), "period", accuracy=stated).budget  # there it is in the scatter
    assert part(once, "aperture jitter") == pytest.approx(math.sqrt(2) * 1e-9)
    assert part(often, "aperture jitter") == 0.0


def test_a_correction_takes_the_place_of_the_limit() -> None:
    stated = Accuracy(
        gain="1 %", offset="50 mV", timebase="10 ppm", skew="1 us", corrected={"gain": 1e-4, "offset": 1e-3}
    )
    budget = ww.measure(wave(square()), "high_level", accuracy=stated).budget
    assert part(budget, "gain") == pytest.approx(3e-4)
    assert part(budget, "offset") == pytest.approx(1e-3)
    both = ww.Accuracy(gain=0, offset=0, timebase=0, corrected={"skew": 3e-9})
    delay = ww.measure(two(), "delay", accuracy=both).budget
    assert part(delay, "skew") == pytest.approx(math.sqrt(2) * 3e-9, rel=1e-3)
    with pytest.raises(ww.WavewrightError, match="one of gain, offset, timebase, skew"):
        Accuracy(corrected={"bandwidth": 1.0})


@pytest.mark.parametrize("unknown", [math.inf, math.nan])
def test_an_uncertainty_that_is_no_number_is_not_known(unknown: float) -> None:
    survey = Survey(wave(2.0 + np.random.default_rng(8).normal(0, 0.05, 2000), gain=0.001))
    metric = Metric("begins", "V", "a test", (1, 1), lambda one: replace(begins(one), uncertainty=unknown))
    budget = measure_surveys(
        [survey], metric, {}, inputs=[InputOfReading("rail", survey, Accuracy(gain="1 %", offset=0))]
    ).budget
    assert part(budget, "gain") == pytest.approx(0.02 / ROOT3, rel=0.01)
    assert part(budget, "noise") == pytest.approx(0.005, rel=3 / math.sqrt(30))  # drawn, as where nothing is said


@pytest.mark.parametrize("shift", [math.pi, math.pi - 1e-4, -math.pi + 1e-4, 0.5])
def test_a_phase_near_half_a_turn_is_known_as_well_as_any(shift: float) -> None:
    turns = 2 * math.pi * 5e3 * 1e-6 * np.arange(2000)
    draw = np.random.default_rng(3)
    waves = [
        ww.Waveform.from_volts(volts + draw.normal(0, 2e-3, 2000), interval=1e-6, name=name)
        for name, volts in (("a", np.sin(turns)), ("b", np.sin(turns + shift)))
    ]
    stated = Accuracy(gain="2 %", offset="20 mV", timebase=0, skew="1 us", nonlinearity="10 mV")
    budget = ww.measure(waves, "phase", accuracy=stated).budget
    assert budget is not None
    # math: 1 us of 200 us is 1.8 degrees
    assert part(budget, "skew") == pytest.approx(1.8 / ROOT3, rel=1e-3)
    assert budget.expanded() < 5
