"""Retests: the verdict of a unit from all its runs, and the risk that running it again brings."""

from __future__ import annotations

from itertools import product

import pytest
from scipy.stats import binom, norm

from wavewright.errors import Misuse
from wavewright.judgement.retest_rule import RetestRule, acceptance, read_unit_verdict
from wavewright.judgement.verdict import Verdict

P, F, N, E = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.ERROR
LAST = RetestRule(2, (F, N, E))
TWO_OF_THREE = RetestRule(2, (F, N, E), 2)
FIRST = RetestRule(2, (F,), -1)

UNIT_VERDICTS = [
    (LAST, [P], P), (LAST, [F, P], P), (LAST, [P, F], F),
    (TWO_OF_THREE, [P], P), (TWO_OF_THREE, [F, P], F), (TWO_OF_THREE, [F, P, P], P), (TWO_OF_THREE, [F, P, E], E),
    (TWO_OF_THREE, [P, F], F), (TWO_OF_THREE, [F, F, P, P, P], F), (TWO_OF_THREE, [N, P], N),
    (FIRST, [F, P, P], F), (FIRST, [P, F], P),
]  # fmt: skip


@pytest.mark.parametrize("rule, runs, verdict", UNIT_VERDICTS)
def test_the_verdict_of_a_unit(rule: RetestRule, runs: list[Verdict], verdict: Verdict) -> None:
    assert rule.unit_verdict(runs) is verdict


def test_a_unit_is_run_again_only_while_that_can_change_its_verdict() -> None:
    assert LAST.is_due([F])
    assert LAST.is_due([F, N])
    assert not LAST.is_due([P])
    assert not LAST.is_due([F, P])
    assert not LAST.is_due([F, F, F])
    assert TWO_OF_THREE.is_due([F])
    assert TWO_OF_THREE.is_due([F, P])
    assert not TWO_OF_THREE.is_due([F, F]), "two passes of three cannot be reached any more"
    assert not RetestRule(2, (E,)).is_due([F]), "a failed unit is not retested where only errors are"


def test_a_unit_beyond_its_retests_is_refused_and_a_passed_one_is_not() -> None:
    assert not LAST.refusal([])
    assert not LAST.refusal([F])
    assert not LAST.refusal([F, F])
    assert not LAST.refusal([P] * 9)
    assert "3 times" in LAST.refusal([F, F, F])
    assert "3 times" in LAST.refusal([F, F, P])
    assert "its last verdict is fail" in RetestRule(2, (E,)).refusal([F])


@pytest.mark.parametrize("passing", [0.025, 0.5, 0.9])
def test_the_probability_of_accepting_is_that_of_all_sequences_of_runs(passing: float) -> None:
    # closed form: a unit is rejected by `last` only if all runs fail; 1 − (1 − p)³
    assert acceptance(LAST, passing) == pytest.approx(1 - (1 - passing) ** 3)
    # 2 of 3, after a first run that failed: both others pass; counted over all sequences of three runs
    counted = sum(
        passing ** runs.count(P) * (1 - passing) ** runs.count(F)
        for runs in product((P, F), repeat=3)
        if runs[0] is P or runs.count(P) >= 2
    )
    assert acceptance(TWO_OF_THREE, passing) == pytest.approx(counted)
    assert acceptance(FIRST, passing) == pytest.approx(binom.sf(0, 1, passing))


# The table of the guide: a reading as far beyond its limit as it says, in standard uncertainties that scatter anew in
# every run; one run passes with the probability Φ(−distance).
GUIDE = [(0.0, 50.0, 87.5, 62.5), (1.0, 15.9, 40.4, 18.0), (2.0, 2.3, 6.7, 2.3), (3.0, 0.1, 0.4, 0.1)]


@pytest.mark.parametrize("beyond, once, last, two_of_three", GUIDE)
def test_the_figures_of_the_guide(beyond: float, once: float, last: float, two_of_three: float) -> None:
    passing = float(norm.cdf(-beyond))
    found = [100 * share for share in (passing, acceptance(LAST, passing), acceptance(TWO_OF_THREE, passing))]
    assert [round(share, 1) for share in found] == [once, last, two_of_three]


@pytest.mark.parametrize("words, passes", [("last", 0), ("first", -1), ("2 of 3 pass", 2), ("1 of 3 pass", 1)])
def test_words_of_a_rule(words: str, passes: int) -> None:
    assert read_unit_verdict(words, 2) == passes
    assert RetestRule(2, (F,), passes).words == words


@pytest.mark.parametrize("words", ["best", "2 of 4 pass", "0 of 3 pass", "3 of 3 pass", "any"])
def test_words_that_are_no_rule(words: str) -> None:
    with pytest.raises(Misuse):
        read_unit_verdict(words, 2)
