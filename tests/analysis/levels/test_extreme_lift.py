"""What noise adds to extremes."""

from __future__ import annotations

import numpy as np
import pytest

from wavewright.analysis.levels.extreme_lift import OF_LIFT, lift_of_extreme, lift_of_largest, lift_of_span
from wavewright.analysis.record.survey import Survey
from wavewright.waveform import Waveform


@pytest.mark.parametrize("count", [2, 10, 100, 1000])
def test_lift_of_the_largest_of_many_is_that_of_drawn_values(count: int) -> None:
    # math: half of all maxima of n normal values lie above Φ⁻¹(0.5^(1/n)); here of 4000 drawn ones
    maxima = np.random.default_rng(3).standard_normal((4000, count)).max(axis=1)
    assert lift_of_largest(count) == pytest.approx(OF_LIFT * np.median(maxima), abs=0.05)


def test_one_value_is_not_lifted() -> None:
    assert lift_of_largest(1) == 0.0


def noisy(volts: np.ndarray, noise: float, seed: int) -> Survey:
    return Survey(Waveform.from_volts(volts + np.random.default_rng(seed).normal(0, noise, volts.size), interval=1e-6))


SIGNALS = {
    "states": np.where(np.arange(2000) % 200 < 100, 1.0, -1.0),
    "sine": np.sin(2 * np.pi * np.arange(2000) / 187.3),
    "steady": np.zeros(2000),
}


@pytest.mark.parametrize("signal", SIGNALS)
def test_lift_of_a_record_is_about_what_its_maxima_are_too_large_by(signal: str) -> None:
    clean = SIGNALS[signal]
    surveys = [noisy(clean, 0.02, seed) for seed in range(60)]
    off = np.mean([survey.wave.codes.max() - clean.max() for survey in surveys])
    stated = np.mean([lift_of_extreme(survey, highest=True, noise=0.02) for survey in surveys]) / OF_LIFT
    assert 0.8 * off < stated < 1.35 * off
    across = np.mean([np.ptp(survey.wave.codes) - np.ptp(clean) for survey in surveys])
    spans = np.mean([lift_of_span(survey, noise=0.02) for survey in surveys])
    assert 0.5 * across < spans < across


def test_nothing_is_lifted_without_noise() -> None:
    survey = noisy(SIGNALS["sine"], 0.0, 1)
    assert lift_of_extreme(survey, highest=True, noise=0.0) == lift_of_span(survey, noise=0.0) == 0.0


def test_the_lowest_is_lifted_as_much_as_the_highest_of_the_inverted_record() -> None:
    survey = noisy(SIGNALS["states"], 0.02, 1)
    inverted = Survey(Waveform(survey.wave.codes, gain=-1.0, interval=1e-6))
    assert lift_of_extreme(survey, highest=False, noise=0.02) == lift_of_extreme(inverted, highest=True, noise=0.02)
