from __future__ import annotations

import numpy as np
import pytest

from wavewright.analysis.levels.state_levels import LevelChoice, LevelMethod
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.record.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.waveform import Waveform

SQUARE = np.tile(np.repeat([0, 100], 50), 10).astype(np.int8)


@pytest.mark.parametrize(
    "level, expected",
    [(50.0, 10.0), (90.0, 10.0), (10.0, 10.0), (95.0, 5.0), (98.0, 2.0), (100.0, 0.0), (104.0, 4.0)],
)
def test_the_hysteresis_is_a_tenth_of_the_amplitude_and_reaches_no_state(level: float, expected: float) -> None:
    # the band is ±5 % of the amplitude, and never further than half way to the nearer state
    assert Survey(Waveform(SQUARE, interval=1.0)).default_hysteresis(level) == pytest.approx(expected)


def test_noise_widens_the_hysteresis_to_six_standard_deviations() -> None:
    random = np.random.default_rng(2)
    noisy = Survey(Waveform.from_volts(SQUARE + random.normal(0, 4.0, SQUARE.size), interval=1.0))
    assert noisy.default_hysteresis(50.0) == pytest.approx(24, rel=0.2)


def test_a_record_without_states_has_no_hysteresis_and_no_crossing() -> None:
    flat = Survey(Waveform(np.full(100, 5), interval=1.0))
    assert flat.default_hysteresis(5.0) == 0.0
    assert flat.crossings(5.0).either.size == 0


def test_a_reference_level_is_between_the_states_or_absolute() -> None:
    survey = Survey(Waveform(SQUARE, gain=0.02, offset=1.0, interval=1.0))
    assert survey.level(ReferenceLevel.read("25 %")) == pytest.approx(1.5)
    assert survey.level(ReferenceLevel.read("0.3 V")) == 0.3


def test_other_levels_share_what_is_known_of_the_samples() -> None:
    survey = Survey(Waveform(SQUARE, interval=1.0))
    other = survey.at_levels(LevelChoice(LevelMethod.MEAN))
    assert other.record is survey.record
    assert other.histogram is survey.histogram
    assert survey.at_levels(LevelChoice(LevelMethod.MEAN)) is other
    assert survey.at_levels(LevelChoice()) is survey


def test_the_same_crossings_are_looked_for_once() -> None:
    survey = Survey(Waveform(SQUARE, interval=1.0))
    assert survey.crossings(50.0) is survey.crossings(50.0)
    assert survey.crossings(50.0) is not survey.crossings(50.0, hysteresis=1.0)


def test_what_is_kept_is_computed_once() -> None:
    survey, calls = Survey(Waveform(SQUARE, interval=1.0)), []
    for _ in range(3):
        survey.once("answer", lambda: calls.append(1))
    assert calls == [1]


@pytest.mark.parametrize("codes", [np.array([], dtype=np.int8), np.array([np.nan, np.inf])])
def test_a_record_without_a_valid_sample_has_no_extremes(codes: np.ndarray) -> None:
    with pytest.raises(NotMeasurable, match=f"`rail`: no valid sample among {codes.size}"):
        _ = Survey(Waveform(codes, interval=1.0, name="rail")).extremes


def test_nothing_is_copied_from_a_record_of_valid_samples() -> None:
    for dtype in (np.int8, np.float64):
        wave = Waveform(SQUARE.astype(dtype), interval=1.0)
        assert Survey(wave).record.codes is wave.codes
