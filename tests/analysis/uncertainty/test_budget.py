"""Budgets against the formulae of JCGM 100:2008, and what correlates."""

from __future__ import annotations

import json
import math

import pytest

from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.budget import Budget, combined, difference, mean, ratio
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.errors import Misuse


def rail(value: float, *, noise: float = 0.0, gain: float = 0.01, channel: str = "input1") -> Budget:
    """A voltage with 1 % of gain, the key of its input, and noise of its own."""
    parts = (
        Contribution(
            "gain",
            gain * value,
            key=f"digitizer:{channel}:gain",
            distribution=Distribution.RECTANGULAR,
            sensitivity=value,
        ),
        Contribution("record", noise),
    )
    return Budget(value, "V", parts)


def test_the_combined_standard_uncertainty_is_the_root_sum_of_squares() -> None:
    budget = Budget(10.0, "V", (Contribution("one", 3e-3), Contribution("other", -4e-3)))
    assert budget.standard == pytest.approx(5e-3)  # JCGM 100:2008, equation 10
    assert [budget.share(one) for one in budget.contributions] == pytest.approx([0.36, 0.64])


def test_welch_satterthwaite() -> None:
    # JCGM 100:2008, G.4.1, worked by hand: relative 0.25, 0.57, 0.82 % with 9, 4, 14 degrees of freedom give 1.03 %
    # and 19.0; the numbers of its example as remembered, the formula worked again here
    parts = [(0.25, 9), (0.57, 4), (0.82, 14)]
    budget = Budget(
        100.0,
        "V",
        tuple(
            Contribution(f"x{n}", u, distribution=Distribution.T, degrees_of_freedom=freedom)
            for n, (u, freedom) in enumerate(parts)
        ),
    )
    assert round(budget.standard, 2) == 1.03
    by_hand = budget.standard**4 / sum(u**4 / freedom for u, freedom in parts)
    assert budget.degrees_of_freedom == pytest.approx(by_hand)
    assert round(budget.degrees_of_freedom) == 19


def test_a_difference_loses_what_both_have_in_common() -> None:
    found = difference(rail(3.30, noise=1e-3), rail(3.20, noise=1e-3))
    assert found.value == pytest.approx(0.10)
    # 1 % of 0.1 V, not 1 % of 3.3 V twice; the noise of each is its own
    assert found.standard == pytest.approx(math.hypot(1e-3, math.sqrt(2) * 1e-3))


def test_a_difference_of_two_inputs_keeps_both() -> None:
    found = difference(rail(3.0), rail(3.0, channel="input2"))
    assert found.standard == pytest.approx(math.sqrt(2) * 0.03)


def test_a_ratio_on_one_input_does_not_know_its_gain() -> None:
    found = ratio(rail(1.0, noise=1e-3), rail(2.0))
    assert found.value == 0.5
    assert found.standard == pytest.approx(0.5e-3)
    assert [one.name for one in found.contributions] == ["record"]


def test_the_mean_of_shots_does_not_shrink_the_systematic_part() -> None:
    found = mean([rail(3.3, noise=0.01)] * 100)
    gain, noise = found.contributions
    assert (gain.name, gain.standard) == ("gain", pytest.approx(0.033))
    assert (noise.name, noise.standard) == ("record", pytest.approx(0.001))


def test_the_degrees_of_freedom_of_a_mean_of_independent_values_add_up() -> None:
    one = Budget(1.0, "V", (Contribution("scatter", 0.1, distribution=Distribution.T, degrees_of_freedom=4),))
    # 16 equal parts: Welch and Satterthwaite give 16 · 4
    assert mean([one] * 16).degrees_of_freedom == pytest.approx(64)


def test_what_is_missing_stays_missing() -> None:
    known, unknown = Budget(1.0, "V"), Budget(1.0, "V", missing=("gain",))
    assert known.is_complete
    assert not unknown.is_complete
    assert mean([known, unknown]).missing == ("gain",)


def test_the_probability_below_a_level() -> None:
    # a rectangular error of ± 0.1 V: a tenth of it lies above 3.38 V
    budget = Budget(3.3, "V", (Contribution("gain", 0.1 / math.sqrt(3), distribution=Distribution.RECTANGULAR),))
    for level, expected in [(3.38, 0.9), (3.3, 0.5), (3.22, 0.1), (3.5, 1.0), (3.0, 0.0)]:
        assert budget.probability_below(level) == pytest.approx(expected, abs=1e-3), level
    assert Budget(1.0, "V").probability_below(1.0) == 1.0
    assert Budget(1.0, "V").probability_below(0.9) == 0.0


def test_json_brings_everything_back() -> None:
    budget = Budget(
        2.0,
        "V",
        (
            Contribution("gain", -0.01, key="a:gain", distribution=Distribution.RECTANGULAR, sensitivity=2.0),
            Contribution("scatter", 0.1, distribution=Distribution.T, degrees_of_freedom=4, source="from the record"),
        ),
        ("skew",),
    )
    plain = json.loads(json.dumps(budget.as_json()))
    assert Budget.from_json(plain, value=2.0, unit="V") == budget
    reading = Reading(2.0, "V", budget=budget)
    assert Reading.from_json(json.loads(json.dumps(reading.as_json()))) == reading


def test_a_reading_of_an_earlier_version_has_no_budget() -> None:
    assert Reading.from_json({"value": 1.0, "unit": "V"}).budget is None


@pytest.mark.parametrize("standard", [math.nan, math.inf])
def test_a_contribution_is_a_number(standard: float) -> None:
    with pytest.raises(Misuse, match="contribution `gain`"):
        Contribution("gain", standard)


def test_less_than_one_degree_of_freedom_is_refused() -> None:
    with pytest.raises(Misuse, match="at least 1"):
        Contribution("scatter", 1.0, degrees_of_freedom=0)


def test_values_in_different_units_have_no_difference() -> None:
    with pytest.raises(Misuse, match="same unit"):
        difference(Budget(1.0, "V"), Budget(1.0, "A"))
    with pytest.raises(Misuse, match="one unit"):
        mean([Budget(1.0, "V"), Budget(1.0, "A")])
    with pytest.raises(Misuse, match="over 0"):
        ratio(Budget(1.0, "V"), Budget(0.0, "V"))


def test_any_function_of_values_by_its_derivatives() -> None:
    # P = U · I: relative parts add as squares where they are independent (JCGM 100:2008, 5.1.6)
    voltage = Budget(2.0, "V", (Contribution("u", 0.02),))
    current = Budget(3.0, "A", (Contribution("i", 0.06),))
    power = combined(6.0, "W", [(3.0, voltage), (2.0, current)])
    assert power.standard / power.value == pytest.approx(math.hypot(0.01, 0.02))


@pytest.mark.parametrize("coverage", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize(
    "shapes",
    [
        *([(shape, math.inf)] for shape in Distribution),
        [(Distribution.T, 3.0)],
        [(Distribution.T, 2.0)],
        [(Distribution.RECTANGULAR, math.inf), (Distribution.ARCSINE, math.inf), (Distribution.T, 2.5)],
    ],
)
def test_the_expanded_uncertainty_never_exceeds_the_width_that_needs_no_distribution(
    shapes: list[tuple[Distribution, float]], coverage: float
) -> None:
    # Chebyshev's inequality: P(|X| >= k·sigma) <= 1/k²
    parts = [
        Contribution(f"part {number}", 0.5 + number, distribution=shape, degrees_of_freedom=freedom)
        for number, (shape, freedom) in enumerate(shapes)
    ]
    budget = Budget(1.0, "V", tuple(parts))
    assert budget.expanded(coverage) <= budget.not_beyond(coverage)
    if all(freedom == math.inf for _, freedom in shapes):
        assert budget.not_beyond(coverage) == pytest.approx(budget.standard / math.sqrt(1 - coverage))
