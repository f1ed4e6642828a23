"""How a decision rule is written, and what is refused."""

from __future__ import annotations

import pytest

from wavewright.errors import Misuse
from wavewright.judgement.decision_rules import NAMES, SIMPLE, DecisionRule, RuleName


@pytest.mark.parametrize(
    "text",
    [
        "simple",
        "guarded acceptance with guard 1 U",
        "guarded rejection with risk 2.5 %",
        "guarded with guard 0.83 U, coverage 95.45 %",
        "guarded with risk 1 ppm",
    ],
)
def test_one_line_is_read_and_said_again(text: str) -> None:
    rule = DecisionRule.read(text)
    assert DecisionRule.read(str(rule)) == rule
    assert str(rule) == text.replace("1 ppm", "0.0001 %")


def test_a_guard_band_of_one_u_is_the_usual_one() -> None:
    assert DecisionRule.read("guarded") == DecisionRule.read("guarded with guard 1 U")
    assert DecisionRule.from_entry({"rule": "guarded"}) == DecisionRule(RuleName.GUARDED, guard=1.0)


def test_keys_say_the_same_as_one_line() -> None:
    entry = {"rule": "guarded acceptance", "guard": "0.83 U", "coverage": "95.45 %"}
    assert DecisionRule.from_entry(entry) == DecisionRule.read("guarded acceptance with guard 0.83 U, coverage 95.45 %")


def test_simple_acceptance_is_what_decides_where_nothing_is_said() -> None:
    assert DecisionRule() == SIMPLE == DecisionRule.read("simple")
    assert not SIMPLE.is_guarded


@pytest.mark.parametrize(
    "text, said",
    [
        ("garded", "did you mean `guarded`?"),
        ("guarded accept", "did you mean `guarded acceptance`?"),
        ("", f"one of {', '.join(NAMES)}"),
        ("guarded with gard 1 U", "did you mean `guard`?"),
        ("guarded with guard 1 u", "`1 u` is not the width of a guard band"),
        ("guarded with guard 2", "a factor of U, such as `1 U`"),
        ("guarded with guard 0 U", "a guard band of `0 U`"),
        ("guarded with guard -1 U", "a guard band of `-1 U`"),
        ("guarded with guard 11 U", "at most 10"),
        ("guarded with guard 1 U, guard 2 U", "`guard` twice"),
        ("guarded with guard nan U", "is not a finite number"),
        ("guarded with risk 0 %", "a risk of 0 %"),
        ("guarded with risk 0.1 ppm", "from 1 ppm to below 50 %"),
        ("guarded with risk 50 %", "a risk of 50 %"),
        ("guarded with risk 2.5", "write `2.5 %`"),
        ("guarded with guard 1 U, risk 5 %", "`guard` and `risk` together"),
        ("guarded with risk 5 %, coverage 95 %", "`risk` alone"),
        ("guarded with coverage 100 %", "a coverage of 100 %"),
        ("simple with guard 1 U", "`simple`, which has no guard band"),
    ],
)
def test_what_is_no_rule_is_refused_with_what_would_be(text: str, said: str) -> None:
    with pytest.raises(Misuse) as caught:
        DecisionRule.read(text)
    assert said in str(caught.value)
