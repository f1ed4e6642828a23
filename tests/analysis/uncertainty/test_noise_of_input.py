"""Noise of the input in budgets of extremes."""

from __future__ import annotations

import numpy as np
import pytest

import wavewright as ww
from wavewright.analysis.uncertainty.budget import mean
from wavewright.waveform import Waveform

EXACT = {"gain": 0.0, "offset": 0.0, "timebase": 0.0}


def steps(seed: int, noise: float = 0.02) -> Waveform:
    volts = np.where(np.arange(2000) % 200 < 100, 1.0, -1.0)
    return Waveform.from_volts(volts + np.random.default_rng(seed).normal(0, noise, 2000), interval=1e-6, name="gate")


@pytest.mark.parametrize("metric, truth", [("maximum", 1.0), ("minimum", -1.0), ("peak_to_peak", 2.0)])
def test_the_interval_of_an_extreme_reaches_the_line_without_the_noise(metric: str, truth: float) -> None:
    stated = ww.Accuracy(**EXACT, noise_floor=0.02)
    inside = 0
    for seed in range(100):
        low, high = ww.measure(steps(seed), metric, accuracy=stated).budget.interval(0.95)
        inside += low <= truth <= high
    assert inside >= 90  # binomial: 95 % or more give fewer in 1 of 80 honest runs


def test_noise_that_is_the_lines_own_is_no_error() -> None:
    # of 20 mV on the line the input, of 1 mV by itself, has made next to nothing
    budget = ww.measure(steps(1), "peak_to_peak", accuracy=ww.Accuracy(**EXACT, noise_floor=0.001)).budget
    of_input = [abs(one.standard) for one in budget.contributions if "noise of the input" in one.name]
    assert 0 < sum(of_input) < 6 * 0.001
    assert budget.is_complete


def test_an_input_whose_noise_is_not_stated_is_said_to_be_one() -> None:
    budget = ww.measure(steps(1), "maximum", accuracy=ww.Accuracy(**EXACT)).budget
    assert budget.missing == ("noise of `gate`",)


def test_no_mean_of_shots_takes_the_lift_away() -> None:
    stated = ww.Accuracy(**EXACT, noise_floor=0.02)
    budgets = [ww.measure(steps(seed), "maximum", accuracy=stated).budget for seed in range(16)]
    whole = mean(budgets)
    lifts = {one.name: one.standard for one in whole.contributions}
    assert lifts["lift of extremes by noise of the input"] == pytest.approx(
        np.mean([one.standard for budget in budgets for one in budget.contributions if one.key]), rel=1e-9
    )
    assert lifts["scatter of extremes by noise of the input"] < 0.5 * 0.02 / 3
    low, high = whole.interval(0.95)
    assert low <= 1.0 <= high


def test_a_metric_that_is_no_extreme_has_no_such_contribution() -> None:
    budget = ww.measure(steps(1), "overshoot", accuracy=ww.Accuracy(**EXACT, noise_floor=0.02)).budget
    assert not any("extremes" in one.name for one in budget.contributions)


SINE = np.sin(2 * np.pi * 1e4 * 1e-6 * np.arange(5000))


def line(amplitude: float, seed: int, *, noise: float = 5e-3) -> Waveform:
    """A sine of 10 kHz in 50 whole periods, and what the input adds."""
    volts = amplitude * SINE + np.random.default_rng(seed).normal(0, noise, SINE.size)
    return Waveform(
        np.round(volts / 1e-4).astype(np.int32), gain=1e-4, interval=1e-6, name="line", code_range=(-1e5, 1e5)
    )


@pytest.mark.parametrize("amplitude", [0.0, 1e-3, 5e-3, 2e-2, 1.0])
@pytest.mark.parametrize(
    "metric, options", [("rms", {}), ("ac_rms", {}), ("band_rms", {"lowest": 1e3, "highest": 1e5})]
)
def test_the_interval_of_an_rms_reaches_the_line_without_the_noise(
    metric: str, options: dict[str, float], amplitude: float
) -> None:
    # math: of a sine its amplitude over √2, and of a line on which nothing is, 0; read is √(rms² + 5 mV²)
    stated = ww.Accuracy(gain=0.001, offset=1e-4, timebase=0, noise_floor=5e-3, nonlinearity=0)
    inside = 0
    for seed in range(20):
        reading = ww.measure(line(amplitude, seed), metric, accuracy=stated, **options)
        assert reading.budget.is_complete
        low, high = reading.budget.interval()
        inside += low <= amplitude / np.sqrt(2) <= high
    assert inside >= 17  # binomial: 95 % or more give fewer in 1 of 60 honest runs


def test_the_part_of_the_input_is_the_excess_over_the_difference_of_squares() -> None:
    reading = ww.measure(line(5e-3, 1), "rms", accuracy=ww.Accuracy(**EXACT, noise_floor=5e-3, nonlinearity=0))
    (noise,) = (one for one in reading.budget.contributions if one.name.startswith("noise of the input"))
    assert noise.standard == pytest.approx(reading.value - np.sqrt(reading.value**2 - 5e-3**2), rel=0.1)
    # the same in every shot: the mean of three knows it no better
    several = mean([reading.budget] * 3)
    assert [one.standard for one in several.contributions if one.key == noise.key] == pytest.approx([noise.standard])


def test_an_rms_far_above_the_noise_does_not_know_it() -> None:
    stated = ww.Accuracy(gain=0.001, offset=0, timebase=0, nonlinearity=0)
    budget = ww.measure(line(2.0, 1), "rms", accuracy=stated).budget
    assert (budget.missing, [one for one in budget.contributions if "noise of the input" in one.name]) == ((), [])
    quiet = ww.measure(line(0.01, 1), "rms", accuracy=stated).budget
    assert quiet.missing == ("noise of `line`",)
