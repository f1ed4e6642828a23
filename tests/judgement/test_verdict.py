"""Verdicts and their order."""

from __future__ import annotations

import itertools

import pytest

from wavewright.judgement.verdict import Verdict, combined

# Common practice, no source: error before fail before inconclusive before pass.
ORDER = (Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR)


@pytest.mark.parametrize("first, second", list(itertools.product(ORDER, repeat=2)))
def test_the_worse_of_two_verdicts_counts(first: Verdict, second: Verdict) -> None:
    assert combined([first, second]) is ORDER[max(ORDER.index(first), ORDER.index(second))]


def test_a_reading_without_a_limit_says_nothing() -> None:
    assert combined([None, Verdict.PASS, None]) is Verdict.PASS


@pytest.mark.parametrize("verdicts", [[], [None]])
def test_nothing_judged_is_no_pass(verdicts: list[Verdict | None]) -> None:
    assert combined(verdicts) is Verdict.INCONCLUSIVE


def test_exit_statuses_are_those_of_the_command_line() -> None:
    assert [verdict.exit_status for verdict in ORDER] == [0, 2, 1, 3]
