"""What speaks against a set-up: each examination with a set-up that it finds something in, and a twin that is sound.

What a rule expects is computed here by another way than in the code: by filters of SciPy on the drawn signal, or in
closed form; thresholds are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import butter, lfilter, lfilter_zi
from scipy.special import erf

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.doubts import Doubt, Finding
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.front_end.edge_speed import RULE_IS_OFF, TIMES_FASTER, joint_rise_time, share_between
from wavewright.analysis.front_end.front_end import FrontEnd
from wavewright.analysis.front_end.ground_lead import ringing_of_lead
from wavewright.analysis.front_end.limit_in_range import limit_findings
from wavewright.analysis.front_end.probe_loading import Probe, ProbedNode
from wavewright.analysis.measure import measure, measure_surveys
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.judgement.judge import judge
from wavewright.judgement.verdict import Verdict
from wavewright.quantities import read_interval
from wavewright.waveform import Waveform

Floats = npt.NDArray[np.float64]
LN9 = math.log(9)


def wave(volts: Floats, interval: float, *, step: float = 0.01, name: str = "s") -> Waveform:
    """Samples of an 8-bit converter."""
    codes = np.clip(np.round(volts / step), -128, 127).astype(np.int8)
    return Waveform(codes, gain=step, interval=interval, name=name, code_range=(-128.0, 127.0))


def read(metric: str, *ways: tuple[Waveform, FrontEnd], **options: object) -> Reading:
    surveys = [Survey(one) for one, _ in ways]
    return measure_surveys(surveys, METRICS.find(metric), dict(options), front_ends=[way for _, way in ways])


def found(reading: Reading, doubt: Doubt) -> Finding | None:
    return next((one for one in reading.findings if one.doubt is doubt), None)


# Rise times of one pole: ln 9 / (2 pi B); two of 100 MHz and 200 MHz in closed form: the root of the sum of squares
def test_several_poles_take_the_root_of_the_sum_of_squares() -> None:
    own = [LN9 / (2 * math.pi * one) for one in (100e6, 200e6)]
    assert joint_rise_time([100e6, 200e6]) == pytest.approx(math.sqrt(own[0] ** 2 + own[1] ** 2))
    assert joint_rise_time([100e6]) == pytest.approx(3.497e-9, rel=1e-3)  # the 0.35/B of the trade


T = np.linspace(-20, 80, 100_001)
EDGES: dict[str, Callable[[float], Floats]] = {
    "ramp": lambda rise: np.clip(0.8 * T / rise, 0, 1),
    "exponential": lambda rise: np.where(T > 0, 1 - np.exp(-LN9 * np.maximum(T, 0) / rise), 0.0),
    "Gaussian": lambda rise: 0.5 * (1 + erf(T / rise * 2 * 1.2815515655 / math.sqrt(2))),
    "raised cosine": lambda rise: 0.5 * (1 - np.cos(np.pi * np.clip(T * 2 * math.asin(0.8) / np.pi / rise, 0, 1))),
}


def between(course: Floats, low: float) -> float:
    return float(np.interp(1 - low, course, T) - np.interp(low, course, T))


@pytest.mark.parametrize("low", [0.1, 0.2, 0.3])
@pytest.mark.parametrize("shape", EDGES)
@pytest.mark.parametrize("poles", [(1.0,), (1.0, 1.0), (1.0, 0.3), (1.0, 1.0, 1.0)])
def test_the_rule_is_off_by_no_more_than_is_stated(shape: str, poles: tuple[float, ...], low: float) -> None:
    edge = LN9 * math.hypot(*poles) * share_between(low, 1 - low)
    for rise in np.geomspace(0.1, 10, 12):
        course = before = EDGES[shape](rise)
        for constant in poles:
            keep = math.exp(-(T[1] - T[0]) / constant)
            course = lfilter([1 - keep], [1, -keep], course)
        shown, true = between(course, low), between(before, low)
        if shown < TIMES_FASTER * edge:
            assert shown**2 - (RULE_IS_OFF * edge) ** 2 <= true**2 <= shown**2


def through(volts: Floats, corner: float, interval: float, kind: str = "low") -> Floats:
    """One pole, in the state that the first sample stands for."""
    b, a = butter(1, corner, kind, fs=1 / interval)
    course, _ = lfilter(b, a, volts, zi=lfilter_zi(b, a) * volts[0])
    return np.asarray(course)


def square(period: int, count: int, *, low: float = 0.0, high: float = 1.0, ramp: int = 1) -> Floats:
    one = np.where(np.arange(period) < period // 2, low, high)
    return np.convolve(np.tile(one, count), np.ones(ramp) / ramp, "same")


def test_an_edge_through_a_band_limit_may_be_faster() -> None:
    interval, slow, fast = 1e-9, 20e6, 500e6
    drawn = square(1000, 4, ramp=21)  # 0.8 · 21 ns = 16.8 ns from 10 to 90 %
    seen = wave(through(drawn, slow, interval), interval)
    reading = read("rise_time", (seen, FrontEnd(bandwidth=slow, rise_time=joint_rise_time([slow]))))
    one = found(reading, Doubt.SLOW_SETUP)
    assert one is not None
    assert reading.value is not None
    assert reading.value > 1.3 * 16.8e-9
    assert reading.value - one.below < 16.8e-9 < reading.value + one.above
    assert one.text == "24.3 ns is read, and the set-up alone takes 17.5 ns (0.35/B), which leaves about 16.9 ns"
    sound = read("rise_time", (wave(drawn, interval), FrontEnd(bandwidth=fast, rise_time=joint_rise_time([fast]))))
    assert Doubt.SLOW_SETUP not in sound.doubts


# From 20 to 80 % one pole takes ln 4 / ln 9 of the time from 10 to 90 %, and from 80 to 30 % ln (8 / 3) / ln 9 (math)
def test_the_set_up_is_compared_between_the_levels_that_are_read() -> None:
    assert share_between(0.2, 0.8) == pytest.approx(math.log(4) / LN9)
    assert share_between(0.3, 0.8, is_falling=True) == pytest.approx(math.log(8 / 3) / LN9)
    interval, slow = 1e-9, 20e6
    seen = wave(through(square(1000, 4, ramp=46), slow, interval), interval)  # 27.6 ns from 20 to 80 %
    way = FrontEnd(bandwidth=slow, rise_time=joint_rise_time([slow]))  # 11.0 ns there: a bit less than a third
    assert Doubt.SLOW_SETUP in read("rise_time", (seen, way)).doubts
    for levels in ({"low": "20 %", "high": "80 %"}, {"low": "0.2 V", "high": "0.8 V"}):
        one = found(read("rise_time", (seen, way), **levels), Doubt.SLOW_SETUP)
        assert one is not None
        assert "the set-up alone takes 11.0 ns" in one.text
    slower = wave(through(square(1000, 4, ramp=60), slow, interval), interval)
    assert Doubt.SLOW_SETUP not in read("rise_time", (slower, way), low="20 %", high="80 %").doubts
    assert Doubt.SLOW_SETUP in read("rise_time", (slower, way)).doubts


def test_a_mean_is_changed_by_no_bandwidth_and_no_capacitance() -> None:
    tone = wave(0.5 + 0.2 * np.sin(2 * np.pi * 10e6 * 4e-9 * np.arange(20_000)), 4e-9)
    way = FrontEnd(
        bandwidth=20e6, rise_time=joint_rise_time([20e6]), source=ProbedNode(680.0), probe=Probe(10e6, 12e-12)
    )
    assert not {Doubt.SLOW_SETUP, Doubt.PROBE_LOADING} & set(read("mean", (tone, way)).doubts)
    assert {Doubt.SLOW_SETUP, Doubt.PROBE_LOADING} <= set(read("ac_rms", (tone, way)).doubts)


@pytest.mark.parametrize("metric", ["overshoot", "slew_rate"])
def test_what_a_slow_set_up_rounds_off_may_be_any_larger(metric: str) -> None:
    interval, slow = 1e-9, 20e6
    seen = wave(through(square(1000, 4, ramp=21), slow, interval), interval)
    one = found(read(metric, (seen, FrontEnd(bandwidth=slow, rise_time=joint_rise_time([slow])))), Doubt.SLOW_SETUP)
    assert one is not None
    assert (one.below, one.above) == (0.0, math.inf)


def test_a_tone_near_the_bandwidth_is_larger_than_it_reads() -> None:
    interval, bandwidth, frequency = 4e-9, 20e6, 10e6
    true = np.sin(2 * np.pi * frequency * interval * np.arange(20_000))
    shown = true / math.sqrt(1 + (frequency / bandwidth) ** 2)  # one pole, closed form
    way = FrontEnd(bandwidth=bandwidth, rise_time=joint_rise_time([bandwidth]))
    reading = read("peak_to_peak", (wave(shown, interval), way))
    one = found(reading, Doubt.SLOW_SETUP)
    assert one is not None
    assert reading.value is not None
    assert reading.value + one.above == pytest.approx(2.0, rel=0.02)
    slower = np.sin(2 * np.pi * frequency / 5 * interval * np.arange(20_000))
    assert Doubt.SLOW_SETUP not in read("peak_to_peak", (wave(slower, interval), way)).doubts


def test_a_probe_on_a_weak_point_takes_voltage() -> None:
    way = FrontEnd(bandwidth=1e8, source=ProbedNode(1e6), probe=Probe(10e6, 12e-12))
    level = square(1000, 20, low=0.9, high=1.1)
    shown = level * 10 / 11  # two resistors, closed form
    reading = read("mean", (wave(shown, 1e-3), way))
    one = found(reading, Doubt.PROBE_LOADING)
    assert one is not None
    assert reading.value is not None
    assert reading.value + one.above == pytest.approx(1.0, rel=0.005)
    sound = read(
        "mean", (wave(level, 1e-3), FrontEnd(bandwidth=1e8, source=ProbedNode(10e3), probe=Probe(10e6, 12e-12)))
    )
    assert Doubt.PROBE_LOADING not in sound.doubts


def test_a_probe_on_a_weak_point_makes_its_edge_slower() -> None:
    node, probe = ProbedNode(10e3), Probe(10e6, 12e-12)  # ln 9 · 10 kohm · 12 pF = 263 ns (closed form)
    for rise, is_doubted in ((300, True), (1200, False)):
        seen = wave(square(8000, 4, ramp=round(rise / 0.8)), 1e-9)
        reading = read("rise_time", (seen, FrontEnd(bandwidth=1e9, source=node, probe=probe)))
        assert (Doubt.PROBE_LOADING in reading.doubts) is is_doubted


def test_glitches_that_the_set_up_hides_are_not_said_to_be_none() -> None:
    # 3.3 V with pulses of 5 ns down to 0 V through one pole of 20 MHz: 1 − exp(−5 ns · 2π · 20 MHz) is 47 %
    interval, bandwidth = 0.5e-9, 20e6
    drawn = np.where(np.arange(20_000) % 2000 >= 1000, 3.3, 0.0)
    for shift in range(10):
        drawn[1500 + shift :: 4000] = 0.0
    share = 1 - math.exp(-interval * 2 * math.pi * bandwidth)
    seen = wave(lfilter([share], [1, share - 1], drawn), interval, step=0.03)
    assert measure(wave(drawn, interval, step=0.03), "glitches", width=10e-9).value == 5
    way = FrontEnd(bandwidth=bandwidth, rise_time=joint_rise_time([bandwidth]))
    reading = read("glitches", (seen, way), width=10e-9)
    assert reading.value == 0
    assert found(reading, Doubt.SLOW_SETUP) is not None
    assert judge(reading, "exactly 0").verdict is Verdict.INCONCLUSIVE
    wide = read("glitches", (seen, way), width=40e-9)
    assert found(wide, Doubt.SLOW_SETUP) is None
    fast = FrontEnd(bandwidth=500e6, rise_time=joint_rise_time([500e6]))
    assert found(read("glitches", (seen, fast), width=10e-9), Doubt.SLOW_SETUP) is None


@pytest.mark.parametrize("metric", ["peak_to_peak", "amplitude", "ac_rms", "maximum"])
def test_a_square_wave_through_ac_coupling_droops(metric: str) -> None:
    # 24 V of 200 Hz through 50 Hz: the steady state starts each half at 24 / (1 + exp(-pi 50 / 200)), closed form
    interval, way = 10e-6, FrontEnd(bandwidth=1e8, ac_corner=50.0)
    drawn = square(500, 60, low=-12.0, high=12.0)
    seen = through(drawn, 50.0, interval, "high")[-20 * 500 :]
    reading = read(metric, (wave(seen, interval, step=0.2), way))
    one = found(reading, Doubt.DROOP)
    truth = {"peak_to_peak": 24.0, "amplitude": 24.0, "ac_rms": 12.0, "maximum": 12.0}[metric]
    assert one is not None
    assert reading.value is not None
    assert abs(reading.value - truth) > 0.02 * truth
    assert reading.value - one.below <= truth <= reading.value + one.above
    fast = through(square(500, 60, low=-12.0, high=12.0), 50.0, interval / 500, "high")[-20 * 500 :]
    assert Doubt.DROOP not in read(metric, (wave(fast, interval / 500, step=0.2), way)).doubts


def test_a_tone_near_the_corner_of_ac_coupling_is_larger_than_it_reads() -> None:
    interval, corner = 1e-4, 50.0
    for frequency, is_doubted in ((100.0, True), (500.0, False)):
        shown = np.sin(2 * np.pi * frequency * interval * np.arange(20_000)) / math.hypot(1, corner / frequency)
        reading = read("strongest_tone_amplitude", (wave(shown, interval), FrontEnd(bandwidth=1e8, ac_corner=corner)))
        one = found(reading, Doubt.DROOP)
        assert (one is not None) is is_doubted
        if one is not None and reading.value is not None:
            assert reading.value + one.above == pytest.approx(1.0, rel=0.01)


def test_peaks_that_the_input_makes_itself() -> None:
    noise = 0.02
    hum = 0.1 * np.sin(2 * np.pi * 0.01 * np.arange(50_000))
    shown = wave(hum + noise * np.random.default_rng(1).standard_normal(hum.size), 1e-6, step=0.005)
    reading = read("peak_to_peak", (shown, FrontEnd(bandwidth=1e8, noise=noise, offset=0.0)))
    one = found(reading, Doubt.INPUT_NOISE)
    assert one is not None
    assert reading.value is not None
    assert reading.value - one.below <= 0.2 < reading.value
    assert one.above == 0.0
    still = read("peak_to_peak", (wave(hum, 1e-6, step=0.005), FrontEnd(bandwidth=1e8, noise=noise, offset=0.0)))
    assert Doubt.INPUT_NOISE not in still.doubts  # what is not in the record cannot be in the reading


def test_noise_adds_to_an_rms_value_in_quadrature() -> None:
    tone = 0.1 * math.sqrt(2) * np.sin(2 * np.pi * 0.01 * np.arange(50_000))
    shown = wave(tone + 0.05 * np.random.default_rng(1).standard_normal(tone.size), 1e-6, step=0.005)
    reading = read("ac_rms", (shown, FrontEnd(bandwidth=1e8, noise=0.05, offset=0.0)))
    one = found(reading, Doubt.INPUT_NOISE)
    assert one is not None
    assert reading.value is not None
    assert reading.value - one.below == pytest.approx(0.1, rel=0.02)


def test_overshoot_that_is_noise() -> None:
    step = square(1000, 20) + 0.01 * np.random.default_rng(1).standard_normal(20_000)
    way = FrontEnd(bandwidth=1e8, noise=0.01, offset=0.0)
    reading = read("overshoot", (wave(step, 1e-6), way))
    one = found(reading, Doubt.INPUT_NOISE)
    assert one is not None
    assert reading.value is not None
    assert reading.value - one.below <= 0.0 < reading.value  # there is none
    rings = square(1000, 20)
    rings[500:520] += 0.3
    assert Doubt.INPUT_NOISE not in read("overshoot", (wave(rings, 1e-6), way)).doubts


@pytest.mark.parametrize("delay, is_doubted", [(0.1e-9, True), (2e-9, False)])
def test_a_delay_within_the_skew_of_the_inputs(delay: float, is_doubted: bool) -> None:
    at = 1e-9 * np.arange(20_000)
    waves = [wave(np.sin(2 * np.pi * 1e6 * (at - late)), 1e-9, name=str(late)) for late in (0.0, delay)]
    ways = [FrontEnd(bandwidth=1e8, input=number, skew=200e-12) for number in (1, 2)]
    for metric in ("delay", "phase"):
        one = found(read(metric, *zip(waves, ways, strict=True)), Doubt.INPUT_SKEW)
        assert (one is not None) is is_doubted, metric
        if one is not None:
            assert one.above == pytest.approx(200e-12 if metric == "delay" else 360 * 1e6 * 200e-12, rel=0.01)
    same = [FrontEnd(bandwidth=1e8, input=1, skew=200e-12)] * 2
    assert Doubt.INPUT_SKEW not in read("delay", *zip(waves, same, strict=True)).doubts


@pytest.mark.parametrize("jitter, is_doubted", [(1e-9, True), (1e-15, False)])
def test_a_phase_from_a_trigger_that_jitters(jitter: float, is_doubted: bool) -> None:
    noise = 0.01 * np.random.default_rng(1).standard_normal(5000)
    tone = wave(np.sin(2 * np.pi * 1e6 * 1e-8 * np.arange(5000)) + noise, 1e-8)
    one = found(read("sine_phase", (tone, FrontEnd(bandwidth=1e9, trigger_jitter=jitter))), Doubt.TRIGGER_JITTER)
    assert (one is not None) is is_doubted
    if one is not None:
        assert one.above == pytest.approx(3 * 360 * 1e6 * 1e-9, rel=0.01)


def test_a_lead_of_150_mm_and_12_pf_ring_at_119_mhz() -> None:
    # 1 nH per mm (common practice, no source): 1 / (2 pi sqrt(150 nH 12 pF))
    assert ringing_of_lead(0.15, 12e-12) == pytest.approx(118.6e6, rel=1e-3)
    assert math.isinf(ringing_of_lead(0.0, 12e-12))


@pytest.mark.parametrize("rings_at, is_doubted", [(60e6, True), (20e6, False), (None, False)])
def test_overshoot_at_the_frequency_of_the_ground_lead(rings_at: float | None, is_doubted: bool) -> None:
    interval, step = 1e-9, square(1000, 8)
    after = interval * np.arange(500)
    if rings_at is not None:
        for first in range(500, step.size, 500):
            sign = 1.0 if first % 1000 else -1.0
            step[first : first + 500] += sign * 0.2 * np.exp(-after / 40e-9) * np.cos(2 * np.pi * rings_at * after)
    way = FrontEnd(bandwidth=1e9, lead_ringing=60e6)
    for metric in ("overshoot", "peak_to_peak"):
        reading = read(metric, (wave(step, interval), way))
        assert (Doubt.GROUND_LEAD in reading.doubts) is is_doubted, (metric, reading)


def test_a_count_of_nothing_at_a_level_that_is_never_reached() -> None:
    pulses = wave(square(1000, 10), 1e-6)
    for metric in ("rising_edges", "pulses", "time_above"):
        reading = measure(pulses, metric, level="1.2 V")
        assert reading.value in (0, None)
        assert reading.value is None or Doubt.LEVEL_NOT_REACHED in reading.doubts, metric
        assert Doubt.LEVEL_NOT_REACHED not in measure(pulses, metric, level="0.5 V").doubts
    below = measure(wave(square(1000, 10, low=0.2), 1e-6), "falling_edges", level="0.1 V")
    one = found(below, Doubt.LEVEL_NOT_REACHED)
    assert one is not None
    assert one.text == "`level` is 100 mV, and the record stays between 200 mV and 1.00 V"


def limited(metric: str, volts: Floats, limit: str, *, step: float = 0.1) -> set[Doubt]:
    survey = Survey(wave(volts, 1e-6, step=step))
    reading = measure_surveys([survey], METRICS.find(metric), {})
    one = Read(reading, [survey], METRICS.find(metric).reads, metric=metric)
    return {finding.doubt for finding in limit_findings(one, read_interval(limit, unit="V"))}


def test_a_limit_beside_the_range() -> None:
    step = square(1000, 10, low=0.0, high=5.0)  # codes of 100 mV, from -12.8 V to 12.7 V
    assert limited("high_level", step, "5 V ± 0.1 V") == {Doubt.COARSE_RANGE}
    assert limited("high_level", step, "5 V ± 1 V") == set()
    assert limited("peak_to_peak", step, "at most 400 mV") == {Doubt.COARSE_RANGE}
    assert limited("mean", step, "5 V ± 0.1 V") == set()  # noise averages it
    assert limited("mean", step, "at most 40 kV") == {Doubt.IDLE_LIMIT}
    assert limited("maximum", step, "at most 27 V") == {Doubt.IDLE_LIMIT}
    assert limited("maximum", step, "at most 12 V") == set()
    assert limited("maximum", step, "5 V .. 27 V") == set()


@pytest.mark.parametrize("doubt", [Doubt.NOT_WARMED_UP, Doubt.CALIBRATION_OVERDUE])
def test_what_the_bench_states_bears_on_every_reading(doubt: Doubt) -> None:
    way = FrontEnd(bandwidth=1e8, stated=((doubt, "it says so"),))
    one = found(read("mean", (wave(square(1000, 10), 1e-6), way)), doubt)
    assert one is not None
    assert one.decides
    assert one.text == "it says so"
