"""The share of trials that a count of rare events stands for."""

from __future__ import annotations

import pytest
from scipy import stats

from wavewright.analysis.statistics.event_rate import EventRate, event_rate
from wavewright.errors import Misuse


@pytest.mark.parametrize("events, trials", [(0, 1), (0, 250), (1, 250), (7, 20), (19, 20), (20, 20), (3, 100_000)])
def test_the_interval_is_that_of_a_reference_library(events: int, trials: int) -> None:
    found = event_rate(events, trials)
    expected = stats.binomtest(events, trials).proportion_ci(0.95, method="exact")
    assert (found.low, found.high) == pytest.approx((expected.low, expected.high), rel=1e-7, abs=1e-12)


def test_none_in_n_is_the_rule_of_three() -> None:
    # math: with none in n, (1 − p)^n is what is left of the coverage at the upper end: 0.025
    assert event_rate(0, 250).high == pytest.approx(1 - 0.025 ** (1 / 250), rel=1e-9)
    # common practice, the rule of three: 3/n, for one side at 95 %, which is two sides at 90 %
    assert event_rate(0, 1000, coverage=0.9).high == pytest.approx(3 / 1000, rel=4e-3)


@pytest.mark.parametrize("true_share", [0.002, 0.03, 0.4])
def test_it_never_holds_the_true_share_less_often_than_it_says(true_share: float) -> None:
    trials = 60
    held = sum(
        float(stats.binom.pmf(events, trials, true_share))
        for events in range(trials + 1)
        if event_rate(events, trials).low <= true_share <= event_rate(events, trials).high
    )
    assert held >= 0.95


@pytest.mark.parametrize("events, trials, coverage", [(1, 0, 0.95), (3, 2, 0.95), (-1, 2, 0.95), (1, 2, 1.0)])
def test_what_is_no_share_is_refused(events: int, trials: int, coverage: float) -> None:
    with pytest.raises(Misuse, match="at least one trial"):
        event_rate(events, trials, coverage=coverage)


def test_it_is_read_back_as_it_was() -> None:
    found = event_rate(2, 50)
    assert EventRate.from_json(found.as_json()) == found
    assert found.share == 0.04
