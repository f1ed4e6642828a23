"""Records that end before their waveform has come to rest, and bands that are entered slowly: exponentials (math)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.analysis.transitions.still_moving import later_entry
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.judgement.judge import judge
from wavewright.judgement.verdict import Verdict
from wavewright.waveform import Waveform

TAU = 200.0  # s, and samples
SETTLING = TAU * math.log(0.5 / 0.02)  # from the middle of the step to 2 % of it
NO_ERROR = Accuracy(gain=0.0, offset=0.0, timebase=0.0, noise_floor=0.0, bandwidth="1 GHz")


def step(constants: float, *, places: float = 0.0) -> np.ndarray:
    times = np.arange(-1000, round(constants * TAU)) + places
    return np.where(times < 0, 0.0, 1 - np.exp(-np.maximum(times, 0) / TAU))


def coded(volts: np.ndarray, levels: int, *, phase: float = 0.0) -> Waveform:
    return Waveform(np.rint(volts * levels + phase).astype(np.int16), gain=1 / levels, interval=1.0)


@pytest.mark.parametrize("constants", [4.0, 4.5, 5.0, 6.0, 9.0])
def test_the_correction_of_an_entry_is_exact_for_an_exponential(constants: float) -> None:
    left, band = math.exp(-constants), 0.02
    middle = -math.log(1 - 0.5 * (1 - left))
    entry = -math.log(left + band * (1 - left))
    later = later_entry(entry - middle, constants - entry, 0.5 / band)
    assert entry + later == pytest.approx(-math.log(band), rel=0.006)


@pytest.mark.parametrize("constants", [4.3, 4.7, 5.2, 6.0])
def test_a_step_that_is_cut_short_does_not_pass_by_the_time_it_seems_to_take(constants: float) -> None:
    reading = measure(Waveform.from_volts(step(constants), interval=1.0), "settling_time")
    assert reading.value < SETTLING
    between = (reading.value + SETTLING) / 2
    judged = judge(reading, f"at most {between:.3f} s")
    assert judged.verdict is Verdict.INCONCLUSIVE
    assert "still moves" in judged.reason
    found = next(one for one in reading.findings if one.doubt is Doubt.NOT_SETTLED)
    assert 0.985 * SETTLING <= reading.value + found.above <= 1.2 * SETTLING


def test_a_step_that_has_settled_is_in_no_doubt() -> None:
    reading = measure(Waveform.from_volts(step(14.0), interval=1.0), "settling_time")
    assert not reading.doubts
    assert reading.value == pytest.approx(SETTLING, rel=1e-3)


@pytest.mark.parametrize("levels", [150, 250])
def test_the_interval_of_a_slow_entry_holds_where_the_codes_are_coarse(levels: int) -> None:
    phases = np.linspace(0, 1, 24, endpoint=False)
    readings = [
        measure(coded(step(12.0, places=phase), levels, phase=phase), "settling_time", accuracy=NO_ERROR)
        for phase in phases
    ]
    intervals = [reading.budget.interval(0.95) for reading in readings]
    assert np.mean([low <= SETTLING <= high for low, high in intervals]) >= 0.9


@pytest.mark.parametrize("constants", [4.5, 6.0])
def test_a_rail_that_still_recovers_at_the_end_is_in_doubt(constants: float) -> None:
    times = np.arange(-400, round(constants * TAU)) * 1.0
    rail = np.where(times < 0, 5.0, 5.0 - 1.0 * np.exp(-np.maximum(times, 0) / TAU))
    truth = TAU * math.log(1.0 / 0.05)  # until 1 % of 5 V are left of 1 V
    reading = measure(Waveform.from_volts(rail, interval=1.0, start=-400.0), "recovery_time")
    assert reading.value < truth
    limit = f"at most {(reading.value + truth) / 2:.3f} s"
    assert judge(reading, limit).verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize("name, truth", [("time_constant", TAU), ("final_value", 1.0)])
def test_the_interval_of_a_fitted_exponential_holds_where_the_tail_lies_on_one_code(name: str, truth: float) -> None:
    phases = np.linspace(0, 1, 24, endpoint=False)
    waves = [coded(step(12.0), 120, phase=phase) for phase in phases]
    readings = [measure(wave, name, accuracy=NO_ERROR) for wave in waves]
    shift = [phase / 120 if name == "final_value" else 0.0 for phase in phases]
    right = [abs(one.value - truth - off) <= one.budget.expanded() for one, off in zip(readings, shift, strict=True)]
    assert np.mean(right) >= 0.9


def test_rise_time_of_a_slow_staircase_knows_how_far_its_levels_may_be_off() -> None:
    phases = np.linspace(0, 1, 24, endpoint=False)
    readings = [measure(coded(step(12.0), 120, phase=phase), "rise_time", accuracy=NO_ERROR) for phase in phases]
    right = [abs(one.value - TAU * math.log(9)) <= one.budget.expanded() for one in readings]
    assert np.mean(right) >= 0.9
