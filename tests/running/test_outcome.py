from __future__ import annotations

import pickle
from dataclasses import replace

import pytest

from wavewright.analysis.reading import Doubt
from wavewright.errors import Misuse
from wavewright.judgement.verdict import Verdict
from wavewright.running.outcome import Outcome
from wavewright.waveform import Capture, Waveform


def test_a_reading_is_found_by_measurement_and_entry(outcome: Outcome) -> None:
    assert outcome["rail_noise.ripple"].value == 0.03123


def test_a_reading_under_conditions_is_found_with_them(outcome: Outcome) -> None:
    assert outcome["coil_drive[duty=40 %].duty_factor"].value == 0.45


def test_a_name_that_is_not_there_is_answered_with_the_nearest(outcome: Outcome) -> None:
    with pytest.raises(Misuse, match=r"did you mean `rail_noise.ripple`\?"):
        outcome["rail_noise.riple"]


def test_a_name_that_is_not_there_is_a_key_error_as_of_every_mapping(outcome: Outcome) -> None:
    with pytest.raises(KeyError, match=r"no result `rail_noise.riple` in the outcome of `VC-204 end-of-line check`"):
        outcome["rail_noise.riple"]
    with pytest.raises(
        KeyError, match=r"no channel `rial` in the capture\n  expected: one of rail\n  do: did you mean"
    ):
        Capture({"rail": Waveform.from_volts([0.0], interval=1.0)})["rial"]


def test_an_outcome_is_read_as_a_mapping_of_its_readings(outcome: Outcome) -> None:
    assert list(outcome) == list(outcome.results)
    assert len(outcome) == 4
    assert "rail_noise.ripple" in outcome
    assert "ripple" not in outcome
    assert 1 not in outcome
    assert outcome.get("rail_noise.ripple") is outcome["rail_noise.ripple"]
    assert outcome.get("ripple") is None
    assert dict(outcome) == {name: outcome[name] for name in outcome}


def test_an_outcome_is_not_taken_for_passed_or_failed(outcome: Outcome) -> None:
    # `assert ww.run(...)` would hold for a unit that failed
    with pytest.raises(Misuse, match=r"neither true nor false: that of `VC-204 end-of-line check` is error"):
        assert outcome


def test_everything_is_named_in_one_short_line(outcome: Outcome) -> None:
    rail = outcome.measurements[0]
    long = replace(outcome, title="t" * 900, part="p" * 900, serial="s" * 900)
    clipped = replace(rail.results[0].reading, reason="r" * 900, doubts=tuple(Doubt)[:3])
    capture = Capture({f"d{number}": Waveform.from_volts([0.0], interval=1.0) for number in range(64)})
    for subject in (outcome, long, rail, rail.results[0], clipped, capture):
        assert len(repr(subject)) <= 210
        assert "\n" not in repr(subject)
    assert repr(rail.results[0]) == "<Result ripple: 0.03123 V, 2 shots, limit at most 40 mV: pass>"
    assert repr(outcome).endswith("error, 4 results: 1 pass, 1 inconclusive, 1 fail, 1 error>")


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
