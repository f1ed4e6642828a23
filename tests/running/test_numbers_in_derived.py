"""Tolerances of numbers in derived channels: a contribution of their own, and no guarded pass without them."""

from __future__ import annotations

import math

import numpy as np
import pytest

import wavewright as ww
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.recipe.load import parse_recipe
from wavewright.running.evaluation import evaluate
from wavewright.running.input_accuracy import accuracy_facts
from wavewright.running.result import Result
from wavewright.waveform import Capture, Waveform

ROOT3 = math.sqrt(3)
STATED = ww.Accuracy(gain=0, offset=0, timebase=0, skew=0, noise_floor=0)
RECIPE = """
wavewright: 1
title: a current through a shunt
judge: guarded acceptance
measurements:
  shunt:
    channels:
      high: {input: 1, range: 8 V, offset: 0 V}
      low: {input: 2, range: 8 V, offset: 0 V}
    timebase: {span: 2 ms, rate: 1 MHz}
    trigger: {mode: auto, on: high, edge: rising, level: 0 V}
    shots: 4
    derived: DERIVED
    compute: {found: {metric: mean, of: OF, limit: LIMIT, over: mean}}
"""


def measured(derived: str, limit: str, *, of: str = "x", high: float = 3.0, low: float = 2.0) -> Result:
    """The mean of a channel that is derived from two levels with 20 µV of noise, of which everything is known."""
    waves, facts, draw = {}, {}, np.random.default_rng(5)
    for number, (name, level) in enumerate({"high": high, "low": low}.items(), 1):
        codes = np.round(level / 1e-6 + draw.normal(0, 20, 2000)).astype(np.int32)
        waves[name] = Waveform(codes, gain=1e-6, interval=1e-6, name=name, code_range=(-4_000_000, 3_999_999))
        facts |= accuracy_facts(f"input{number}", STATED.at("digitizer", f"input{number}"), full_scale=8.0)
    text = RECIPE.replace("DERIVED", derived).replace("OF", of).replace("LIMIT", limit)
    (result,) = evaluate(parse_recipe(text, "shunt.yaml").measurements[0], [Capture(waves, settings=facts)] * 4)
    return result


def budget_of(result: Result) -> Budget:
    assert result.reading.budget is not None
    return result.reading.budget


def test_a_tolerance_is_a_line_of_the_budget_that_shots_do_not_average_out() -> None:
    result = measured('{x: "(high - low) / (0.1 ohm ± 1 %)"}', "10 A ± 5 %")
    (tolerance,) = (one for one in budget_of(result).contributions if "0.1 ohm ± 1 %" in one.name)
    assert abs(tolerance.standard) == pytest.approx(0.1 / ROOT3, rel=1e-3)  # math: 1 % of 10 A, rectangular
    assert tolerance.distribution is Distribution.RECTANGULAR
    assert result.verdict == "pass"
    # within the limit by 50 mA, and the shunt alone may make 95 mA of it (JCGM 106:2012, guarded acceptance)
    near = measured('{x: "(high - low) / (0.1 ohm ± 1 %)"}', "9.95 A .. 20 A")
    assert near.verdict == "fail", near.reason  # of what guarded acceptance does not accept
    assert near.reading.value == pytest.approx(10.0, rel=1e-4)


def test_without_a_tolerance_no_guarded_limit_passes() -> None:
    result = measured('{x: "(high - low) / 0.1 ohm"}', "0 A .. 20 A")
    assert budget_of(result).missing == ("tolerance of `0.1 ohm` in `x`",)
    assert (result.verdict, "record only" in result.reason) == ("inconclusive", True)


@pytest.mark.parametrize(
    "expression, limit",
    [
        ("(high - low) / (0.1 ohm ± 0 %)", "9.9 A .. 10.1 A"),  # said to be exact
        ("(high + low) / 2", "2.4 V .. 2.6 V"),  # arithmetic
        ("high - low + 1 V - 1 V ± 0 V", "0.9 V .. 1.1 V"),
    ],
)
def test_what_is_exact_needs_no_tolerance(expression: str, limit: str) -> None:
    result = measured(f'{{x: "{expression}"}}', limit)
    is_lacking = "1 V -" in expression  # the first 1 V says nothing
    assert bool(budget_of(result).missing) is is_lacking
    assert result.verdict == ("inconclusive" if is_lacking else "pass"), result.reason


def test_what_is_derived_from_a_derived_channel_has_its_tolerance() -> None:
    derived = '{x: "(high - low) / (0.1 ohm ± 1 %)", power: "x * high", half: "power / (2 ± 0.02)"}'
    found = budget_of(measured(derived, "0 W .. 50 W", of="half"))
    parts = {one.name: abs(one.standard) for one in found.contributions}
    # math: 10 A · 3 V / 2 is 15 W, and 1 % of that for either number
    assert parts["`0.1 ohm ± 1 %` in `x`"] == pytest.approx(0.15 / ROOT3, rel=1e-3)
    assert parts["`2 ± 0.02` in `half`"] == pytest.approx(0.15 / ROOT3, rel=1e-3)


def test_a_number_that_leaves_the_result_leaves_the_budget() -> None:
    derived = '{x: "high / (0.1 ohm ± 1 %)", again: "x / x * high"}'
    assert budget_of(measured(derived, "0 V .. 5 V", of="again")).standard == pytest.approx(0.0, abs=1e-5)


def test_numbers_that_read_alike_are_added_the_worse_way() -> None:
    # one shunt of 0.1 ohm or two: the sum is 1 % off if one, less likely so if two; the difference the other way round
    for sign, low in (("+", 2.0), ("-", 2.0)):
        derived = f'{{x: "high / (0.1 ohm ± 1 %) {sign} low / (0.1 ohm ± 1 %)"}}'
        found = budget_of(measured(derived, "0 A .. 90 A", low=low))
        (both,) = (one for one in found.contributions if "0.1 ohm ± 1 %" in one.name)
        assert both.standard == pytest.approx(0.01 * (30 + 20) / ROOT3, rel=1e-3)


def test_draws_of_a_shunt_lie_within_the_interval() -> None:
    """JCGM 101:2008, 7: 2,000 shunts within their tolerance; 95 % of the currents are within the interval."""
    budget = budget_of(measured('{x: "(high - low) / (0.1 ohm ± 5 %)"}', "0 A .. 20 A"))
    shunts = 0.1 * (1 + 0.05 * np.random.default_rng(3).uniform(-1, 1, 2000))
    low, high = budget.interval()
    share = np.mean((1.0 / shunts >= low) & (1.0 / shunts <= high))
    assert 0.93 < share < 0.97
