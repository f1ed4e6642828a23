from __future__ import annotations

import math

import numpy as np
import pytest

from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.crossing_resolution import difference_resolution, instant_bounds, instant_resolution
from wavewright.waveform import Waveform


def test_an_edge_within_one_interval_is_known_to_half_of_it() -> None:
    survey = Survey(Waveform.from_volts(np.repeat([0.0, 1.0], 50), interval=4e-9))
    places = survey.crossings(0.5).rising_places
    assert instant_resolution(survey, places) == pytest.approx(2e-9)
    assert difference_resolution(survey, places) == pytest.approx(2e-9 * math.sqrt(2))


@pytest.mark.parametrize("step", [1.0, 0.25, 0.05])
def test_quantised_straight_edges_are_within_the_resolution(step: float) -> None:
    # math: an error of ½ code step on an edge of slope m moves the crossing by step/(2·m)
    for phase in np.linspace(0, 1, 37):
        volts = np.clip((np.arange(200) - 50 - phase) * 0.9, 0, 90)
        wave = Waveform(np.round(volts / step).astype(np.int16), gain=step, interval=1.0)
        survey = Survey(wave)
        found = survey.crossings(45.0)
        assert abs(found.rising[0] - (100 + phase)) <= instant_resolution(survey, found.rising_places) + 1e-9


@pytest.mark.parametrize("ratio", [0.5, 0.2, 0.05])
def test_a_single_pole_edge_is_within_the_resolution_at_its_middle(ratio: float) -> None:
    # math: late by at most ratio²/8 time constants
    for phase in np.linspace(0, 1, 37):
        times = (np.arange(-40, 800) + phase) * ratio
        wave = Waveform.from_volts(1 - np.exp(-np.maximum(times, 0)), interval=ratio, start=float(times[0]))
        survey = Survey(wave)
        found = survey.crossings(0.5)
        assert abs(found.rising[0] - math.log(2)) <= instant_resolution(survey, found.rising_places)


def both_edges(ratio: float, phases: tuple[float, float]) -> Survey:
    """A rising edge of one pole and a falling one, sampled at two phases; time constant 1, the falling one at 400."""
    times = np.arange(-40, 800) * ratio
    volts = 1 - np.exp(-np.maximum(times + phases[0] * ratio, 0))
    fallen = np.maximum(times + phases[1] * ratio - 400 * ratio, 0)
    return Survey(Waveform.from_volts(volts * np.exp(-fallen), interval=ratio, start=float(times[0])))


@pytest.mark.parametrize("ratio", [0.3, 0.1])
def test_two_edges_of_one_pole_are_both_late_and_their_distance_is_known_better(ratio: float) -> None:
    # math: one sample apart by at most ratio²/8 each, later and never earlier, by sampling phases of their own
    errors, bounds = [], []
    for phases in np.random.default_rng(1).uniform(0, 1, (200, 2)):
        survey = both_edges(ratio, phases)
        found = survey.crossings(0.5)
        assert instant_bounds(survey, found.rising_places).late == 1
        assert instant_bounds(survey, found.falling_places).late == 1
        width = float(found.falling[0] - found.rising[0])
        errors.append(width - (400 - phases[1] + phases[0]) * ratio)
        bounds.append(difference_resolution(survey, found.rising_places, found.falling_places))
        assert bounds[-1] < 0.85 * math.hypot(
            instant_resolution(survey, found.rising_places), instant_resolution(survey, found.falling_places)
        )
    # taken as rectangular: the standard deviation is the half-width over the root of 3 (JCGM 100:2008, 4.3.7)
    assert float(np.std(errors)) <= float(np.mean(bounds)) / math.sqrt(3)
    assert abs(float(np.mean(errors))) < 0.2 * float(np.mean(bounds))


def test_the_edges_of_a_ramp_bend_both_ways() -> None:
    # near its foot a ramp is early, near its top late: nothing cancels
    volts = np.clip((np.arange(200) - 50.3) * 0.3, 0, 1)
    survey = Survey(Waveform.from_volts(volts, interval=1.0))
    low, high = survey.crossings(0.1).rising_places, survey.crossings(0.9).rising_places
    assert difference_resolution(survey, low, high) == pytest.approx(
        math.hypot(instant_resolution(survey, low), instant_resolution(survey, high))
    )


def test_without_a_crossing_an_instant_is_known_to_half_an_interval() -> None:
    survey = Survey(Waveform(np.zeros(10, dtype=np.int8), interval=2.0))
    assert instant_resolution(survey, np.empty(0)) == 1.0
