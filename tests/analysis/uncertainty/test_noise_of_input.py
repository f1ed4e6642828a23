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
