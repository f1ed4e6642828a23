"""Intervals of proportions against the handbook and two libraries' worth of published figures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from wavewright.errors import Misuse
from wavewright.logbook.studies.proportions import final_yield, first_pass_yield, proportion


def test_exact_interval_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20, 90 %; prints 0.071354 and 0.401029
    four = proportion(4, 20, confidence=0.90)
    assert (four.low, four.high) == pytest.approx((0.0713539, 0.4010281), abs=1e-6)


@pytest.mark.parametrize(
    "count, total, confidence, low, high",
    [
        (4, 20, 0.90, 0.0931180, 0.3783767),
        (4, 20, 0.95, 0.0806577, 0.4160174),
        (97, 100, 0.95, 0.9154806, 0.9897455),
        (199, 200, 0.95, 0.9722263, 0.9991168),
        (26, 200, 0.90, 0.0957727, None),  # e-Handbook 7.2.4.1 prints 0.09577 one-sided at 95 %
    ],
)
def test_score_interval(count: int, total: int, confidence: float, low: float, high: float | None) -> None:
    share = proportion(count, total, confidence=confidence, interval="score")
    assert share.low == pytest.approx(low, abs=1e-7)
    assert high is None or share.high == pytest.approx(high, abs=1e-7)


@pytest.mark.parametrize("count, total, low, high", [(97, 100, 0.9148239, 0.9937700), (199, 200, 0.9724581, 0.9998734)])
def test_exact_interval_near_one(count: int, total: int, low: float, high: float) -> None:
    share = proportion(count, total)
    assert (share.low, share.high) == pytest.approx((low, high), abs=1e-7)


def test_no_failure_in_fifty() -> None:
    # math: 0.025 ** (1/50)
    assert proportion(50, 50).low == pytest.approx(0.025 ** (1 / 50), rel=1e-10)
    assert proportion(50, 50).high == 1.0
    assert proportion(50, 50, interval="score").low == pytest.approx(0.9286524, abs=1e-7)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_agrees_with_another_library(counts: tuple[int, int]) -> None:
    # statsmodels: beta quantiles, and the closed form of the score interval
    count, total = counts
    for interval, method in (("exact", "beta"), ("score", "wilson")):
        low, high = proportion_confint(count, total, 0.05, method)
        ours = proportion(count, total, interval=interval)
        assert (ours.low, ours.high) == pytest.approx((low, high), abs=1e-9)


def test_an_unknown_interval_names_the_nearest() -> None:
    with pytest.raises(Misuse, match=r"interval `exakt`(.|\n)*did you mean `exact`"):
        proportion(4, 20, interval="exakt")


def test_only_the_first_run_of_a_unit_counts() -> None:
    runs = [("0001", True), ("0002", False), ("0002", True), ("0003", True)]
    first = first_pass_yield(runs)
    assert (first.count, first.total) == (2, 3)
    assert (final_yield(runs).count, final_yield(runs).total) == (3, 3)


def test_no_runs_have_no_yield() -> None:
    with pytest.raises(Misuse, match="0 out of 0"):
        first_pass_yield([])
