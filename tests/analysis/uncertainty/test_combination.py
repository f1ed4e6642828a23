"""Budgets of functions: what correlates, what keeps its identity, and what is refused."""

from __future__ import annotations

import math

import pytest

import wavewright as ww
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.combination import combine, correlation
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.inputs import Input
from wavewright.errors import Misuse


def test_a_budget_among_the_inputs_keeps_the_identity_of_its_contributions() -> None:
    # math: the gain error that both readings share cancels in their ratio, the noise does not
    readings = {
        name: Budget(value, "V", (Contribution("gain", 0.01 * value, key="input1:gain"), Contribution("noise", 0.002)))
        for name, value in (("high", 4.0), ("low", 2.0))
    }
    ratio = combine(lambda high, low: high / low, readings)
    assert ratio.standard == pytest.approx(2.0 * math.hypot(0.002 / 4, 0.002 / 2), rel=1e-6)
    product = combine(lambda high, low: high * low, readings, unit="V^2")
    assert product.standard == pytest.approx(8.0 * math.hypot(0.02, 0.002 / 4, 0.002 / 2), rel=1e-4)


def test_what_a_budget_lacks_the_result_lacks() -> None:
    incomplete = Budget(1.0, "V", (Contribution("noise", 0.1),), missing=("gain",))
    assert combine(lambda v: 2 * v, {"v": incomplete}, unit="V").missing == ("gain",)


def test_full_correlation_is_like_one_error() -> None:
    # JCGM 100:2008, 5.2.2, note 1: with r = 1 the terms add linearly
    inputs = {"a": Input(1.0, 0.3), "b": Input(1.0, 0.4)}
    assert combine(lambda a, b: a + b, inputs, correlations={("a", "b"): 1.0}).standard == pytest.approx(0.7)
    assert combine(lambda a, b: a - b, inputs, correlations={("a", "b"): 1.0}).standard == pytest.approx(0.1)


def test_an_input_without_uncertainty_makes_nothing_uncertain() -> None:
    result = combine(lambda a, b: a * b, {"a": Input(2.0), "b": Input(3.0)})
    assert (result.value, result.contributions) == (6.0, ())


def test_results_of_unlike_inputs_do_not_correlate() -> None:
    one, other = (combine(lambda a: a, {"a": Input(1.0, 0.1, key=key)}) for key in ("one", "other"))
    assert correlation(one, other) == 0.0
    assert correlation(one, one) == pytest.approx(1.0)
    assert correlation(one, combine(lambda a: -a, {"a": Input(1.0, 0.1, key="one")})) == pytest.approx(-1.0)


def test_inputs_that_correlate_through_a_third_are_one_set() -> None:
    inputs = {name: Input(0.0, 1.0) for name in "abc"}
    result = combine(
        lambda a, b, c: a + b + c, inputs, correlations={("a", "b"): 0.5, ("b", "c"): 0.5, ("a", "c"): 0.5}
    )
    assert len(result.contributions) == 1
    assert result.standard == pytest.approx(math.sqrt(3 + 2 * 1.5))


@pytest.mark.parametrize(
    "correlations, words",
    [
        ({("a", "d"): 0.5}, "a correlation with `d`"),
        ({("a", "b"): 1.5}, "correlation 1.5 of a and b"),
        ({("a", "a"): 1.0}, "correlation 1 of a and a"),
        ({("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9}, "cannot be true at the same time"),
    ],
)
def test_correlations_that_make_no_sense_are_refused(correlations: dict[tuple[str, str], float], words: str) -> None:
    inputs = {name: Input(0.0, 1.0) for name in "abc"}
    with pytest.raises(Misuse, match=words):
        combine(lambda a, b, c: a + b + c, inputs, correlations=correlations)


def test_a_correlation_stated_for_a_budget_is_refused() -> None:
    inputs = {"a": Input(0.0, 1.0), "b": Budget(0.0, "1", (Contribution("x", 1.0),))}
    with pytest.raises(Misuse, match="which is a budget"):
        combine(lambda a, b: a + b, inputs, correlations={("a", "b"): 0.5})


def test_a_function_without_a_number_is_refused() -> None:
    with pytest.raises(Misuse, match="the function gives inf"):
        combine(lambda a: math.inf * (1 + a), {"a": Input(0.0, 1.0)})


@pytest.mark.parametrize(
    "make, words",
    [
        (lambda: Input(1.0, -0.1), "not negative"),
        (lambda: Input(math.nan, 0.1), "finite"),
        (lambda: Input(1.0, 0.1, degrees_of_freedom=0.5), "at least 1"),
        (lambda: Input.observed([1.0]), "at least 2"),
        (lambda: Input.observed([]), "at least 2"),
        (lambda: Input.within(1.0, 0.1, distribution="normal"), "rectangular, triangular or arcsine"),
        (lambda: Input.certified(1.0, 0.1), "either `k` or `coverage`"),
        (lambda: Input.certified(1.0, 0.1, k=2, coverage=0.95), "either `k` or `coverage`"),
    ],
)
def test_inputs_that_make_no_sense_are_refused(make, words: str) -> None:
    with pytest.raises(Misuse, match=words):
        make()


def test_users_reach_it_from_the_package() -> None:
    result = ww.combine(lambda v, i: v * i, {"v": ww.Input(12.0, 0.03), "i": ww.Input.within(2.0, 0.01)}, unit="W")
    assert isinstance(result, ww.Budget)
    assert result.value == 24.0
