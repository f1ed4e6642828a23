from __future__ import annotations

import pickle
from dataclasses import replace

import pytest

from wavewright.errors import Misuse
from wavewright.judgement.verdict import Verdict
from wavewright.running.outcome import Outcome


def test_a_reading_is_found_by_measurement_and_entry(outcome: Outcome) -> None:
    assert outcome["rail_noise.ripple"].value == 0.03123


def test_a_reading_under_conditions_is_found_with_them(outcome: Outcome) -> None:
    assert outcome["coil_drive[duty=40 %].duty_factor"].value == 0.45


def test_a_name_that_is_not_there_is_answered_with_the_nearest(outcome: Outcome) -> None:
    with pytest.raises(Misuse, match=r"did you mean `rail_noise.ripple`\?"):
        outcome["rail_noise.riple"]


def test_the_verdict_is_the_worst_one(outcome: Outcome) -> None:
    rail, coil, reset = outcome.measurements
    assert (rail.verdict, coil.verdict, reset.verdict) == (Verdict.PASS, Verdict.FAIL, Verdict.ERROR)
    assert outcome.verdict is Verdict.ERROR
    assert replace(outcome, measurements=(rail, coil)).verdict is Verdict.FAIL
    assert replace(outcome, measurements=(rail,)).verdict is Verdict.PASS


def test_a_run_that_broke_off_is_an_error_whatever_passed_before(outcome: Outcome) -> None:
    assert replace(outcome, measurements=outcome.measurements[:1], error="interrupted").verdict is Verdict.ERROR


def test_where_nothing_is_judged_nothing_has_passed(outcome: Outcome) -> None:
    rail = outcome.measurements[0]
    recorded_only = replace(rail, results=rail.results[1:])
    assert recorded_only.verdict is None
    assert replace(outcome, measurements=(recorded_only,)).verdict is Verdict.INCONCLUSIVE


def test_an_outcome_travels_to_another_process(outcome: Outcome) -> None:
    travelled = pickle.loads(pickle.dumps(outcome))
    assert travelled["rail_noise.ripple"] == outcome["rail_noise.ripple"]
    assert travelled.verdict is outcome.verdict
