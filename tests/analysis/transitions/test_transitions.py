from __future__ import annotations

import numpy as np
import pytest

from wavewright.analysis.parameters import ReferenceLevel, Slope
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.transitions.transitions import find_transitions, middle_level
from wavewright.waveform import Waveform


def survey_of(corners: list[float], heights: list[float]) -> Survey:
    return Survey(Waveform.from_volts(np.interp(np.arange(corners[-1] + 1), corners, heights), interval=1.0))


def test_a_transition_begins_at_the_last_start_and_ends_at_the_first_end() -> None:
    # up to 30 %, back to 0, then all the way: the first attempt is not a part of the transition
    survey = survey_of([0, 50, 60, 70, 120, 220, 400], [0, 0, 30, 0, 0, 100, 100])
    found = find_transitions(survey, Slope.RISING)
    assert found.starts == pytest.approx([130])
    assert found.middles == pytest.approx([170])
    assert found.ends == pytest.approx([210])


def test_a_stay_half_way_belongs_to_the_transition() -> None:
    survey = survey_of([0, 100, 110, 140, 150, 300], [0, 0, 60, 60, 100, 100])
    found = find_transitions(survey, Slope.RISING)
    assert (found.ends - found.starts) == pytest.approx([47.5 - 5 / 3], rel=1e-9)


def test_falling_transitions_mirror_rising_ones() -> None:
    survey = survey_of([0, 100, 120, 220, 270, 400], [0, 0, 100, 100, 0, 0])
    rising, falling = (find_transitions(survey, slope) for slope in (Slope.RISING, Slope.FALLING))
    assert (rising.ends - rising.starts) == pytest.approx([16])
    assert (falling.ends - falling.starts) == pytest.approx([40])
    assert falling.starts == pytest.approx([225])


def test_the_middle_of_10_and_90_percent_is_the_50_percent_that_periods_use() -> None:
    survey = survey_of([0, 100, 120, 220], [0.1, 0.1, 0.7, 0.7])
    low, high = ReferenceLevel(0.1, is_ratio=True), ReferenceLevel(0.9, is_ratio=True)
    assert middle_level(survey, low, high) == survey.level(ReferenceLevel(0.5, is_ratio=True))
    assert middle_level(survey, ReferenceLevel(0.2, is_ratio=False), high) == pytest.approx((0.2 + 0.64) / 2)


def test_a_transition_without_its_end_is_left_out() -> None:
    survey = Survey(Waveform.from_volts(np.repeat([0.0, 1.0, 0.0, 0.6], [30, 30, 30, 30]), interval=1.0))
    assert survey.crossings(0.5).rising.size == 2
    assert find_transitions(survey, Slope.RISING).middles.size == 1


def test_a_dip_that_does_not_reach_the_low_level_is_no_whole_transition() -> None:
    survey = survey_of([0, 100, 120, 220, 240, 260, 400], [0, 0, 100, 100, 30, 100, 100])
    assert survey.crossings(50.0).rising.size == 2
    assert find_transitions(survey, Slope.RISING).middles == pytest.approx([110])
    assert find_transitions(survey, Slope.FALLING).middles.size == 0
