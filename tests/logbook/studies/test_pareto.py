"""Pareto order of failures."""

from __future__ import annotations

import pytest

from wavewright.logbook.studies.pareto import pareto


def test_the_many_come_first_and_shares_add_up() -> None:
    rows = pareto(["ripple", "reset_low", "ripple", "overshoot", "ripple"])
    assert [row.cause for row in rows] == ["ripple", "overshoot", "reset_low"]
    assert rows[0].share == pytest.approx(0.6)
    assert rows[-1].cumulative == 1.0


def test_nothing_failed() -> None:
    assert pareto([]) == ()
