"""Judging readings against a limit."""

from __future__ import annotations

import math

import pytest

from wavewright.analysis.reading import Doubt, Reading
from wavewright.errors import Misuse
from wavewright.judgement.joining import OVER
from wavewright.judgement.judge import error, judge
from wavewright.judgement.limits import Limit
from wavewright.judgement.verdict import Verdict

LIMIT = Limit.read("1.6 ms .. 3.2 ms", unit="s")


def shot(value: float | None, *, doubts: tuple[Doubt, ...] = (), reason: str = "") -> Reading:
    return Reading(value=value, unit="s", uncertainty=1e-6, doubts=doubts, reason=reason)


def test_each_shot_must_hold_and_the_one_with_the_least_margin_is_shown() -> None:
    judgement = judge([shot(2.0e-3), shot(3.1e-3), shot(2.4e-3)], LIMIT)
    assert judgement.verdict is Verdict.PASS
    assert judgement.shot == 1
    assert judgement.reading == shot(3.1e-3)
    assert judgement.margin is not None
    assert judgement.margin.value == pytest.approx(0.1e-3)
    assert judgement.margin.fraction == pytest.approx(0.125)
    assert judgement.reason == ""


def test_one_bad_shot_fails_and_is_the_one_that_is_shown() -> None:
    judgement = judge([shot(2.0e-3), shot(1.5e-3), shot(3.19e-3)], LIMIT)
    assert (judgement.verdict, judgement.shot) == (Verdict.FAIL, 1)
    assert judgement.reason == "1.500 ms is below the limit (1.6 ms .. 3.2 ms)"


def test_the_mean_may_hold_where_a_shot_does_not() -> None:
    shots = [shot(2.0e-3), shot(1.5e-3), shot(2.5e-3)]
    assert judge(shots, LIMIT, over="mean").verdict is Verdict.PASS
    assert judge(shots, LIMIT, over="min").verdict is Verdict.FAIL


def test_the_ends_of_a_limit_pass() -> None:
    assert judge([shot(1.6e-3), shot(3.2e-3)], LIMIT).verdict is Verdict.PASS
    assert judge([shot(math.nextafter(3.2e-3, 1))], LIMIT).verdict is Verdict.FAIL


def test_a_reading_without_a_number_is_inconclusive_with_its_reason() -> None:
    judgement = judge([shot(2e-3), shot(None, reason="0 falling crossings of 0.99 V")], LIMIT)
    assert (judgement.verdict, judgement.shot) == (Verdict.INCONCLUSIVE, 1)
    assert judgement.reason == "0 falling crossings of 0.99 V"
    assert judgement.margin is None


def test_a_shot_that_fails_outweighs_one_without_a_number() -> None:
    judgement = judge([shot(None, reason="no edge"), shot(9e-3)], LIMIT)
    assert (judgement.verdict, judgement.shot) == (Verdict.FAIL, 1)


def test_a_value_that_is_not_a_number_is_never_a_pass() -> None:
    assert judge([shot(math.nan)], LIMIT).verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize("over", list(OVER))
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("limit", ["at most 4 s", "at least 1 ms"])
def test_one_such_value_among_many_is_never_a_pass(over: str, value: float, limit: str) -> None:
    # 101 shots: the 99th percentile is the 100th of them, and says nothing of the largest
    for shots in ([shot(value), *[shot(2e-3)] * 100], [*[shot(2e-3)] * 100, shot(value)]):
        assert judge(shots, limit, over=over).verdict is Verdict.INCONCLUSIVE


def test_a_joined_reading_without_a_number_is_inconclusive_even_without_a_limit() -> None:
    judgement = judge([shot(2e-3), shot(None, reason="no edge")], over="max")
    assert (judgement.verdict, judgement.reason) == (Verdict.INCONCLUSIVE, "1 of 2 shots gave no number: no edge")


def test_without_a_limit_nothing_is_judged_and_the_mean_is_shown() -> None:
    judgement = judge([shot(1e-3), shot(3e-3)])
    assert judgement.verdict is None
    assert judgement.reading is not None
    assert judgement.reading.value == pytest.approx(2e-3)


def test_doubts_of_every_shot_come_along() -> None:
    judgement = judge([shot(2e-3, doubts=(Doubt.CLIPPED,)), shot(9e-3, doubts=(Doubt.FEW_CYCLES,))], LIMIT)
    assert judgement.reading is not None
    assert judgement.reading.doubts == (Doubt.CLIPPED, Doubt.FEW_CYCLES)


def test_no_reading_is_an_error() -> None:
    assert judge([], LIMIT).verdict is Verdict.ERROR
    assert error("no trigger within 5 s").reason == "no trigger within 5 s"


def test_a_limit_in_another_unit_than_the_reading_is_refused() -> None:
    with pytest.raises(Misuse) as caught:
        judge([shot(1.0)], Limit.read("at most 1 V", unit="V"))
    assert str(caught.value) == "a limit in V for a reading in s\n  expected: a limit in s"
