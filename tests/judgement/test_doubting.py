"""Doubts that decide, without any waveform."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.doubts import Doubt, Finding
from wavewright.analysis.reading import Reading
from wavewright.judgement.joining import OVER, joined
from wavewright.judgement.judge import judge
from wavewright.judgement.limits import Limit
from wavewright.judgement.verdict import Verdict

LIMIT = Limit.read("at most 2 V", unit="V")


def reading(value: float, *findings: Finding) -> Reading:
    return Reading(value, "V", doubts=tuple(one.doubt for one in findings), findings=findings)


@pytest.mark.parametrize("over", [name for name in OVER if name != "stdev"])
@pytest.mark.parametrize("doubt", Doubt)
def test_no_way_of_joining_loses_a_doubt_that_bears(over: str, doubt: Doubt) -> None:
    shots = [reading(1.0), reading(0.5, Finding(doubt)), reading(1.5)]
    judgement = judge(shots, LIMIT, over=over)
    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert f"{doubt.words}: " in judgement.reason
    assert doubt.cure in judgement.reason


def test_the_standard_deviation_of_shots_in_doubt_is_in_doubt() -> None:
    shots = [reading(1.0), reading(1.1, Finding.within(Doubt.FEW_CODES, "", 0.01))]
    assert judge(shots, LIMIT, over="stdev").verdict is Verdict.INCONCLUSIVE


def test_a_doubt_that_does_not_bear_changes_nothing() -> None:
    judgement = judge([reading(1.0, Finding.idle(Doubt.CLIPPED))], LIMIT)
    assert (judgement.verdict, judgement.reason, judgement.allowed) == (Verdict.PASS, "", ())


@pytest.mark.parametrize(
    "value, verdict", [(1.8, "pass"), (1.95, "inconclusive"), (2.05, "inconclusive"), (2.2, "fail")]
)
def test_one_with_a_reach_decides_where_the_limit_is_within_it(value: float, verdict: str) -> None:
    assert judge([reading(value, Finding.within(Doubt.FEW_CODES, "3 codes", 0.1))], LIMIT).verdict == verdict


def test_a_fail_stays_one_unless_the_doubt_may_have_made_it() -> None:
    only_higher = Finding(Doubt.CLIPPED, "", below=0.0, above=math.inf)
    assert judge([reading(3.0, only_higher)], LIMIT).verdict is Verdict.FAIL
    assert judge([reading(3.0, only_higher)], Limit.read("at least 4 V", unit="V")).verdict is Verdict.INCONCLUSIVE
    assert judge([reading(3.0, Finding(Doubt.NOISY))], LIMIT).verdict is Verdict.INCONCLUSIVE


def test_a_fail_of_a_sound_shot_is_not_lost_to_the_doubt_about_another() -> None:
    shots = [reading(3.0), reading(1.0, Finding(Doubt.CLIPPED))]
    assert judge(shots, LIMIT).verdict is Verdict.FAIL
    assert judge(shots, LIMIT, over="max").verdict is Verdict.FAIL


def test_what_is_allowed_is_told() -> None:
    judgement = judge([reading(1.0, Finding(Doubt.CLIPPED))], LIMIT, doubts={Doubt.CLIPPED: True})
    assert (judgement.verdict, judgement.allowed) == (Verdict.PASS, (Doubt.CLIPPED,))
    other = judge([reading(1.0, Finding(Doubt.CLIPPED), Finding(Doubt.NOISY))], LIMIT, doubts={Doubt.NOISY: True})
    assert (other.verdict, other.allowed) == (Verdict.INCONCLUSIVE, ())


def test_a_doubt_of_which_nothing_more_is_known_bears() -> None:
    assert judge([Reading(1.0, "V", doubts=(Doubt.NO_STATES,))], LIMIT).verdict is Verdict.INCONCLUSIVE


VALUES = st.lists(st.tuples(st.floats(-10, 10), st.floats(0, 5), st.floats(0, 5)), min_size=2, max_size=8)


@given(VALUES, st.sampled_from(["mean", "max", "min", "p99"]), st.randoms(use_true_random=False))
def test_the_joined_value_of_what_may_be_true_is_within_the_joined_reach(
    shots: list[tuple[float, float, float]], over: str, random: object
) -> None:
    found = [reading(value, Finding(Doubt.NOISY, "", below, above, decides=False)) for value, below, above in shots]
    joint = joined(found, over)
    assert joint.value is not None
    (one,) = joint.findings
    true = [reading(random.uniform(value - below, value + above)) for value, below, above in shots]  # type: ignore[attr-defined]
    may_be = joined(true, over).value
    assert may_be is not None
    assert joint.value - one.below - 1e-9 <= may_be <= joint.value + one.above + 1e-9
