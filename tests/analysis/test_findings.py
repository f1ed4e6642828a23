"""What a doubt says about one reading, and whether it bears."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.catalogue import METRICS, metrics
from wavewright.analysis.doubts import Doubt, Finding, Reads
from wavewright.analysis.front_end.front_end import FrontEnd, Look
from wavewright.analysis.measure import measure, measure_surveys
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.waveform import Waveform

RATE = 500e3
FULL = (-128.0, 127.0)


def square(top: int, bottom: int = -100, *, spike: int | None = None, period: int = 100, count: int = 20) -> Waveform:
    """A square wave in codes of 10 mV, with one sample of another height in the middle of a high state."""
    codes = np.tile(np.where(np.arange(period) < period // 2, bottom, top), count).astype(np.int8)
    if spike is not None:
        codes[10 * period + 3 * period // 4] = spike
    return Waveform(codes, gain=0.01, interval=1 / RATE, name="s", code_range=FULL)


def clipped(reading: Reading) -> Finding | None:
    return next((one for one in reading.findings if one.doubt is Doubt.CLIPPED), None)


# what is read, whether a top that is clipped bears on it, whether one single sample on the highest code does
PARTS = [
    ("maximum", True, True), ("peak_to_peak", True, True), ("minimum", False, False), ("overshoot", True, True),
    ("high_level", True, False), ("low_level", False, False), ("amplitude", True, False), ("mean", True, False),
    ("rms", True, False), ("rise_time", True, False), ("strongest_tone_amplitude", True, True),
    ("frequency", False, False), ("duty_factor", False, False), ("rising_edges", False, False),
]  # fmt: skip


@pytest.mark.parametrize("metric, by_a_state, by_a_sample", PARTS)
def test_clipping_bears_on_what_reads_the_clipped_part(metric: str, by_a_state: bool, by_a_sample: bool) -> None:
    state, sample = clipped(measure(square(127), metric)), clipped(measure(square(100, spike=127), metric))
    assert state is not None
    assert sample is not None
    assert (state.bears, sample.bears) == (by_a_state, by_a_sample)
    assert state.text == "50 % of the samples lie on the highest code; range 2.56 V, from -1.28 V to 1.27 V"
    assert clipped(measure(square(126), metric)) is None


def test_a_crossing_near_the_clipped_end_is_touched() -> None:
    found = clipped(measure(square(127), "time_above", level="1.25 V"))
    assert found is not None
    assert found.bears
    inside = clipped(measure(square(127), "time_above", level="0.5 V"))
    assert inside is not None
    assert not inside.bears


def test_an_inverted_input_clips_at_the_other_end() -> None:
    wave = square(127)
    inverted = Waveform(wave.codes, gain=-0.01, interval=wave.interval, name="s", code_range=FULL)
    lowest, highest = clipped(measure(inverted, "minimum")), clipped(measure(inverted, "maximum"))
    assert lowest is not None
    assert highest is not None
    assert (lowest.bears, highest.bears) == (True, False)


def test_a_difference_of_extremes_can_only_be_larger() -> None:
    found = clipped(measure(square(127), "peak_to_peak"))
    assert found is not None
    assert (found.below, found.above) == (0.0, math.inf)


def test_few_codes_reach_as_far_as_one_code() -> None:
    codes = np.tile([0, 3], 200).repeat(50).astype(np.int8)
    wave = Waveform(codes, gain=0.5, interval=1e-6)
    (found,) = [one for one in measure(wave, "mean").findings if one.doubt is Doubt.FEW_CODES]
    assert (found.below, found.above, found.decides) == (0.5, 0.5, False)
    (found,) = [one for one in measure(wave, "rising_edges").findings if one.doubt is Doubt.FEW_CODES]
    assert not found.bears


def test_every_metric_says_what_it_reads() -> None:
    assert not [name for name, metric in metrics().items() if Reads.ANYTHING in metric.reads]


def sine(frequency: float, *, size: int = 5000) -> Survey:
    """A sine through the middle of the converter, sampled at 500 kHz."""
    volts = np.sin(2 * np.pi * (frequency / RATE * np.arange(size) + 0.1))
    return Survey(Waveform(np.round(100 * volts).astype(np.int8), gain=0.01, interval=1 / RATE, name="s"))


# A sine of f and one of f + k · rate have the same samples (sampling theorem; math). What the look has seen decides.
LOOKS = [
    ("no look", None, 100e6, True), ("nothing faster", Look(4e-9), 100e6, False),
    ("something faster", Look(4e-9, edges=12e6), 100e6, True), ("the same", Look(4e-9, edges=2280.0), 100e6, False),
    ("stopped on the way", None, 200e3, False), ("a look that is blind itself", Look(1e-6), 100e6, True),
    ("the same by a blind look", Look(1.37e-6, edges=2280.0), 100e6, False),
    ("another by a blind look", Look(1.37e-6, edges=17e3), 100e6, True),
]  # fmt: skip


@pytest.mark.parametrize("what, look, bandwidth, doubted", LOOKS, ids=[row[0] for row in LOOKS])
def test_an_alias_is_what_a_look_has_not_confirmed(
    what: str, look: Look | None, bandwidth: float, doubted: bool
) -> None:
    way = FrontEnd(bandwidth=bandwidth, look=look)
    reading = measure_surveys([sine(2280.0)], METRICS.find("frequency"), {}, front_ends=[way])
    assert (Doubt.ALIASED in reading.doubts) is doubted, what
    means = measure_surveys([sine(2280.0)], METRICS.find("mean"), {}, front_ends=[way])
    assert Doubt.ALIASED not in means.doubts


def test_a_burst_and_a_single_event_are_no_alias() -> None:
    burst = np.zeros(5000, np.int8)
    burst[2000:2500] = np.tile([0] * 50 + [100] * 50, 5)
    survey = Survey(Waveform(burst, gain=0.01, interval=1 / RATE, name="s"))
    reading = measure_surveys([survey], METRICS.find("period"), {}, front_ends=[FrontEnd(bandwidth=100e6)])
    assert Doubt.ALIASED not in reading.doubts


def noise_at(level: int, *, rms: float = 0.6) -> Survey:
    codes = np.round(level + np.random.default_rng(204).normal(0, rms, 5000)).astype(np.int8)
    return Survey(Waveform(codes, gain=0.01, interval=1e-6, name="s"))


WAY = FrontEnd(bandwidth=100e3, offset=0.02, noise=0.008)


@pytest.mark.parametrize("metric", ["frequency", "positive_pulse_width", "rise_time"])
@pytest.mark.parametrize("level", [0, 90])
def test_a_steady_line_has_no_frequency_and_no_edge(metric: str, level: int) -> None:
    reading = measure_surveys([noise_at(level)], METRICS.find(metric), {}, front_ends=[WAY])
    assert reading.value is None
    assert "nothing there: the record" in reading.reason


@pytest.mark.parametrize("metric, level, doubted", [
    ("mean", 0, True), ("mean", 90, False), ("peak_to_peak", 0, True), ("peak_to_peak", 90, False),
    ("rising_edges", 0, True), ("rising_edges", 90, True), ("strongest_tone", 90, True), ("ac_rms", 90, False),
])  # fmt: skip
def test_an_open_input_says_nothing_and_a_steady_line_has_a_level(metric: str, level: int, doubted: bool) -> None:
    reading = measure_surveys([noise_at(level)], METRICS.find(metric), {}, front_ends=[WAY])
    assert (Doubt.NOTHING_THERE in reading.doubts) is doubted


def test_a_record_of_which_the_input_is_not_known_has_no_such_doubts() -> None:
    assert measure_surveys([noise_at(0)], METRICS.find("rising_edges"), {}).value
    assert Doubt.NOTHING_THERE not in measure_surveys([noise_at(0)], METRICS.find("rising_edges"), {}).doubts
