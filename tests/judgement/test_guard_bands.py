"""Guard bands and the probability of conformance, against JCGM 106:2012, ILAC-G8:09/2019 and closed forms.

The figures of the two documents are from memory unless a line says otherwise, and were recomputed with SciPy.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from scipy import stats

from wavewright.analysis.reading import Doubt, Finding, Reading
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.judgement.decision import show_probability
from wavewright.judgement.decision_rules import NAMES, DecisionRule
from wavewright.judgement.judge import Judgement, judge
from wavewright.judgement.limits import Limit
from wavewright.judgement.verdict import Verdict
from wavewright.quantities import Interval

PASS, FAIL, INCONCLUSIVE = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE


def known(
    value: float, standard: float, unit: str = "V", *, shape: str = "normal", freedom: float = math.inf
) -> Reading:
    cause = Contribution("instrument", standard, distribution=Distribution(shape), degrees_of_freedom=freedom)
    return Reading(value, unit, budget=Budget(value, unit, (cause,)))


def within(low: float, high: float, unit: str = "V") -> Limit:
    return Limit(Interval(low, high, unit))


def judged(reading: Reading, limit: Limit, rule: str) -> Judgement:
    return judge([reading], limit, rule=DecisionRule.read(rule))


CONFORMANCE = {
    # what: reading, its standard uncertainty, limit, probability as shown, recomputed, source
    "Zener diode": (-5.47, 0.05, within(-math.inf, -5.40), "91.9 %", 0.91924334, "JCGM 106, 7: 0.92"),
    "container": (509.7e3, 8.6e3, within(490e3, math.inf, "Pa"), "98.9 %", 0.98900955, "JCGM 106, 7: 0.99"),
    "oil viscosity": (13.6, 1.8, within(12.5, 16.3, "number"), "66.3 %", 0.66262979, "JCGM 106, 7: 0.66"),
}


@pytest.mark.parametrize("what", CONFORMANCE)
def test_probability_of_conformance_of_the_worked_examples(what: str) -> None:
    value, standard, limit, shown, exact, source = CONFORMANCE[what]
    judgement = judged(known(value, standard, limit.unit), limit, "guarded")
    assert judgement.conformance == pytest.approx(exact, abs=1e-8), source
    assert show_probability(judgement.conformance or 0.0) == shown


@pytest.mark.parametrize("probability, z", [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_distance_to_one_limit_that_gives_a_probability(probability: float, z: float) -> None:
    # JCGM 106, table 1 (7.3): the table prints z with two decimals
    rule = f"guarded acceptance with risk {100 * (1 - probability):.10g} %"
    limit = within(-math.inf, 0.0)
    assert judged(known(-z - 0.006, 1.0), limit, rule).verdict is PASS
    assert judged(known(-z + 0.006, 1.0), limit, rule).verdict is FAIL
    exact = stats.norm.ppf(probability)
    assert judged(known(-exact - 1e-7, 1.0), limit, rule).verdict is PASS
    assert judged(known(-exact + 1e-7, 1.0), limit, rule).verdict is FAIL


def test_speed_that_is_rejected_with_little_risk() -> None:
    # JCGM 106, 8.3.3: limit 100 km/h, u = 2 % of the reading, 99.9 %: printed 107 km/h, guard band 7 km/h.
    # 100/(1 - 0.02·3.0902323) = 106.58761 exactly
    limit, rule = within(0.0, 100.0, "number"), "guarded rejection with risk 0.1 %"
    assert judged(known(106.58, 0.02 * 106.58, "number"), limit, rule).verdict is PASS
    assert judged(known(106.60, 0.02 * 106.60, "number"), limit, rule).verdict is FAIL
    assert judged(known(107.0, 0.02 * 107.0, "number"), limit, rule).verdict is FAIL


ILAC_G8 = [
    # rule, factor of U = 2 u, highest specific risk as printed, 1 - Φ(2r), source
    ("three sigma", 1.5, 0.0016, 0.00134990, "ILAC-G8 table of decision rules"),
    ("ILAC-G8:2009", 1.0, 0.025, 0.02275013, "ILAC-G8 table; seen on the rule pages of two laboratories"),
    ("ISO 14253-1:2017", 0.83, 0.05, 0.04845723, "ILAC-G8 table"),
    ("quarter", 0.25, 0.5, 0.30853754, "math"),
    ("half", 0.5, 0.5, 0.15865525, "math"),
    ("three quarters", 0.75, 0.5, 0.06680720, "math"),
    ("five quarters", 1.25, 0.5, 0.00620967, "math"),
    ("twice", 2.0, 0.5, 3.16712e-5, "math"),
]


@pytest.mark.parametrize("name, factor, printed, exact, source", ILAC_G8, ids=[row[0] for row in ILAC_G8])
def test_risk_at_the_end_of_a_guard_band_of_some_u(
    name: str, factor: float, printed: float, exact: float, source: str
) -> None:
    # a coverage of 95.45 % is k = 2 of a normal distribution, which ILAC-G8 takes for U
    coverage = f"{200 * stats.norm.cdf(2) - 100:.12g} %"
    rule = f"guarded acceptance with guard {factor} U, coverage {coverage}"
    inside, outside = (known(40.0 - 2 * factor + shift, 1.0) for shift in (-1e-7, 1e-7))
    limit = within(-math.inf, 40.0)
    judgement = judged(inside, limit, rule)
    assert judgement.verdict is PASS, source
    assert 1 - (judgement.conformance or 0.0) == pytest.approx(exact, abs=1e-7)
    assert 1 - (judgement.conformance or 0.0) < printed
    assert judged(outside, limit, rule).verdict is FAIL


def test_a_guard_band_of_three_u_leaves_less_than_one_in_a_million() -> None:
    # ILAC-G8 table, six sigma: below 1 ppm false accept; 1 - Φ(6) = 9.87e-10
    judgement = judged(
        known(33.999, 1.0), within(-math.inf, 40.0), "guarded acceptance with guard 3 U, coverage 95.45 %"
    )
    assert judgement.verdict is PASS
    assert 1 - (judgement.conformance or 0.0) < 1e-6


def test_risk_of_simple_acceptance_and_of_a_band_that_protects_the_producer() -> None:
    # ILAC-G8 table: w = 0 at most 50 %; w = -U, "uncritical", below 2.5 % false reject
    limit = within(-math.inf, 40.0)
    assert judged(known(40.0, 1.0), limit, "guarded").conformance == pytest.approx(0.5)
    rule = "guarded rejection with guard 1 U, coverage 95.45 %"
    rejected = judged(known(40.0 + 2.0001, 1.0), limit, rule)
    assert rejected.verdict is FAIL
    assert rejected.conformance == pytest.approx(0.02275013, abs=1e-5)  # 1 - Φ(2)


TWO_LIMITS = [
    # C_m = (T_U - T_L)/4u, then conformance at the centre, at T_U, T_U - 1.645 u, T_U - 2 u: closed form
    (1.0, 0.954500, 0.499968, 0.940742, 0.954500),
    (1.5, 0.997300, 0.500000, 0.949993, 0.977218),
    (2.0, 0.999937, 0.5, 0.950000, 0.977250),
    (3.0, 1.0, 0.5, 0.95, 0.977250),
]


@pytest.mark.parametrize("capability, centre, end, fifth, u2", TWO_LIMITS)
def test_two_limits_both_count(capability: float, centre: float, end: float, fifth: float, u2: float) -> None:
    limit = within(-2 * capability, 2 * capability)
    for value, expected in (
        (0.0, centre),
        (2 * capability, end),
        (2 * capability - 1.644854, fifth),
        (2 * capability - 2, u2),
    ):
        judgement = judged(known(value, 1.0), limit, "guarded")
        assert judgement.conformance == pytest.approx(expected, abs=2e-6)


def test_with_two_limits_near_to_each_other_the_allowed_risk_holds_all_the_same() -> None:
    # at T_U - 1.645 u the risk is 5.93 % where C_m is 1: the band of one end alone would be too narrow
    limit, rule = within(-2.0, 2.0), "guarded acceptance with risk 5 %"
    for value in (0.3, 0.2, 0.1, 0.0, -0.1, -0.2, -0.3):
        judgement = judged(known(value, 1.0), limit, rule)
        assert (judgement.verdict is PASS) == ((judgement.conformance or 0.0) >= 0.95)
    assert judged(known(0.355, 1.0), limit, rule).verdict is FAIL
    assert judged(known(0.0, 1.0), limit, rule).verdict is PASS


OTHER_SHAPES = [
    # distribution, degrees of freedom, distance over u, risk there, source
    ("t", 4.0, 3.74694739, 0.01, "a t distribution of 4 degrees of freedom: seen 3.75 u for 1 %, normal 2.33 u"),
    ("t", 4.0, 4.5, 0.00541128, "as above: seen 5.4e-3 at 4.5 u, normal 3.4e-6"),
    ("rectangular", math.inf, 1.69740979, 0.01, "closed form √3(1 - 2q)"),
    ("rectangular", math.inf, 1.64544827, 0.025, "closed form √3(1 - 2q)"),
    ("rectangular", math.inf, 1.55884573, 0.05, "closed form √3(1 - 2q)"),
]  # fmt: skip


@pytest.mark.parametrize("shape, freedom, distance, risk, source", OTHER_SHAPES)
def test_a_risk_follows_from_the_distribution_and_not_from_k_2(
    shape: str, freedom: float, distance: float, risk: float, source: str
) -> None:
    rule, limit = f"guarded acceptance with risk {100 * risk:.8g} %", within(-math.inf, 0.0)
    passing = judged(known(-distance - 1e-4, 1.0, shape=shape, freedom=freedom), limit, rule)
    assert passing.verdict is PASS, source
    assert 1 - (passing.conformance or 0.0) == pytest.approx(risk, abs=1e-4)
    assert judged(known(-distance + 1e-4, 1.0, shape=shape, freedom=freedom), limit, rule).verdict is FAIL


def test_a_rectangular_uncertainty_has_no_risk_beyond_its_ends() -> None:
    judgement = judged(known(-1.7321, 1.0, shape="rectangular"), within(-math.inf, 0.0), "guarded with risk 1 ppm")
    assert (judgement.verdict, judgement.conformance) == (PASS, 1.0)


LIMIT = within(10.0, 20.0)
VERDICTS = [
    # u = 1, U = 1.959964 (normal, 95 %); value, simple, guarded acceptance, guarded rejection, guarded
    (15.0, PASS, PASS, PASS, PASS),
    (18.04, PASS, PASS, PASS, PASS),
    (18.05, PASS, FAIL, PASS, INCONCLUSIVE),
    (20.0, PASS, FAIL, PASS, INCONCLUSIVE),
    (20.01, FAIL, FAIL, PASS, INCONCLUSIVE),
    (21.95, FAIL, FAIL, PASS, INCONCLUSIVE),
    (21.97, FAIL, FAIL, FAIL, FAIL),
    (11.95, PASS, FAIL, PASS, INCONCLUSIVE),
    (8.03, FAIL, FAIL, FAIL, FAIL),
]


@pytest.mark.parametrize("value, simple, acceptance, rejection, both", VERDICTS)
def test_what_each_rule_says(
    value: float, simple: Verdict, acceptance: Verdict, rejection: Verdict, both: Verdict
) -> None:
    for width in ("guard 1 U", "risk 2.5 %"):  # the same band for a normal distribution
        rules = ("simple", *(f"{name} with {width}" for name in NAMES if name != "simple"))
        said = [judged(known(value, 1.0), LIMIT, rule).verdict for rule in rules]
        assert said == [simple, acceptance, rejection, both], width


def test_the_end_of_a_guard_band_passes_and_the_next_number_does_not() -> None:
    limit = within(-math.inf, 40.0)
    reach = known(0.0, 1.0).budget.expanded(0.95)  # type: ignore[union-attr]
    end = 40.0 - reach
    assert judged(known(end, 1.0), limit, "guarded acceptance").verdict is PASS
    assert judged(known(math.nextafter(end, 41), 1.0), limit, "guarded acceptance").verdict is FAIL


def test_one_sided_limits_have_one_guard_band() -> None:
    assert judged(known(-1e6, 1.0), within(-math.inf, 40.0), "guarded").verdict is PASS
    assert judged(known(1e6, 1.0), within(40.0, math.inf), "guarded").verdict is PASS
    assert judged(known(41.0, 1.0), within(40.0, math.inf), "guarded").verdict is INCONCLUSIVE
    assert judged(known(38.0, 1.0), within(40.0, math.inf), "guarded").verdict is FAIL


@pytest.mark.parametrize("rule", ["guarded acceptance", "guarded", "guarded acceptance with risk 2.5 %"])
def test_an_uncertainty_that_fills_the_tolerance_leaves_no_pass(rule: str) -> None:
    # U = 9.8 against ± 5: nothing between the two guard bands
    judgement = judged(known(15.0, 5.0), LIMIT, rule)
    assert judgement.verdict is INCONCLUSIVE
    assert "leave no value that could pass" in judgement.reason
    assert judged(known(200.0, 5.0), LIMIT, rule).verdict is FAIL


def test_the_reason_says_how_wide_the_guard_band_is_and_how_probable_it_is() -> None:
    judgement = judged(known(0.0389, 1.1e-3), Limit.read("at most 40 mV", unit="V"), "guarded acceptance")
    assert judgement.reason == (
        "38.9 mV is within the limit (at most 40 mV), but by less than the guard band of 2.2 mV; "
        "probability of conformance 84.1 %"
    )


@pytest.mark.parametrize("rule", ["guarded acceptance", "guarded rejection", "guarded", "guarded with risk 5 %"])
@pytest.mark.parametrize("missing", [None, ("gain of the digitizer",)])
def test_a_reading_of_the_record_only_is_no_pass_under_a_guard_band(rule: str, missing: tuple[str, ...] | None) -> None:
    reading = known(15.0, 1e-6)
    budget = None if missing is None else replace(reading.budget, missing=missing)  # type: ignore[type-var]
    judgement = judged(replace(reading, budget=budget), LIMIT, rule)
    assert judgement.verdict is INCONCLUSIVE
    assert "record only" in judgement.reason
    assert judgement.conformance is None


def test_a_reading_of_the_record_only_fails_outside_unless_rejection_is_guarded() -> None:
    reading = replace(known(25.0, 1e-6), budget=None)
    assert judged(reading, LIMIT, "guarded acceptance").verdict is FAIL
    assert judged(reading, LIMIT, "guarded rejection").verdict is INCONCLUSIVE
    assert judged(reading, LIMIT, "guarded").verdict is INCONCLUSIVE


def test_a_number_of_things_is_judged_by_simple_acceptance_and_says_so() -> None:
    judgement = judged(Reading(0.0, "count"), Limit.read("exactly 0", unit="count"), "guarded")
    assert (judgement.verdict, str(judgement.rule)) == (PASS, "simple")


def test_what_is_not_a_number_is_never_a_pass() -> None:
    nothing = Reading(math.nan, "V", budget=Budget(math.nan, "V", (Contribution("noise", 1.0),)))
    for rule in ("guarded acceptance", "guarded rejection", "guarded", "guarded with risk 5 %"):
        assert judged(nothing, LIMIT, rule).verdict is INCONCLUSIVE
    assert judged(Reading(None, "V", reason="no edge"), LIMIT, "guarded").reason == "no edge"


def test_a_value_without_any_uncertainty_is_judged_by_the_limit() -> None:
    exact = Reading(20.0, "V", budget=Budget(20.0, "V"))
    assert judged(exact, LIMIT, "guarded with risk 1 %").verdict is PASS
    assert judged(exact, LIMIT, "guarded").conformance == 1.0


def test_an_uncertainty_far_below_the_value_keeps_its_digits() -> None:
    # 12 MHz with u = 1 uHz: 3 uHz inside is a risk of 1 - Φ(3), closed form
    reading, limit = known(12e6, 1e-6, "Hz"), within(-math.inf, 12e6 + 3e-6, "Hz")
    exact = stats.norm.sf((limit.interval.high - 12e6) / 1e-6)  # of the nearest numbers that a double has
    assert 1 - (judged(reading, limit, "guarded").conformance or 0.0) == pytest.approx(exact, rel=1e-6)
    tiny = known(1.0, 1e-300)
    assert judged(tiny, within(-math.inf, 1.5), "guarded with risk 1 %").verdict is PASS


def test_of_several_shots_the_least_probable_decides() -> None:
    shots = [known(18.0, 0.1), known(17.0, 1.0), known(15.0, 1.0)]
    judgement = judge(shots, LIMIT, rule=DecisionRule.read("guarded with guard 0.5 U"))
    assert (judgement.verdict, judgement.shot) == (PASS, 1)


def doubted(value: float, finding: Finding) -> Reading:
    return replace(known(value, 1.0), doubts=(finding.doubt,), findings=(finding,))


def test_a_doubt_that_reaches_the_end_of_what_passes_stops_a_guarded_pass() -> None:
    near, far = Finding.within(Doubt.FEW_CODES, "codes", 0.5), Finding.within(Doubt.FEW_CODES, "codes", 0.1)
    # what passes ends at 20 - 1.96 = 18.04: 17.8 + 0.5 is beyond it, and still within the limit
    assert judged(doubted(17.8, near), LIMIT, "simple").verdict is PASS
    assert judged(doubted(17.8, near), LIMIT, "guarded acceptance").verdict is INCONCLUSIVE
    assert judged(doubted(17.8, far), LIMIT, "guarded acceptance").verdict is PASS


def test_a_doubt_that_does_not_bear_leaves_a_guarded_fail_a_fail() -> None:
    idle, near = Finding.idle(Doubt.FEW_CODES), Finding.within(Doubt.FEW_CODES, "codes", 0.5)
    failed = judged(doubted(18.5, idle), LIMIT, "guarded acceptance")
    assert (failed.verdict, failed.conformance) == (FAIL, pytest.approx(0.9332, abs=1e-4))  # Φ(1.5), closed form
    # 18.5 - 0.5 would have passed
    assert judged(doubted(18.5, near), LIMIT, "guarded acceptance").verdict is INCONCLUSIVE


def test_a_doubt_that_was_allowed_is_said_beside_a_guarded_pass() -> None:
    clipped = Finding(Doubt.CLIPPED)
    reading, rule = doubted(15.0, clipped), DecisionRule.read("guarded")
    assert judge(reading, LIMIT, rule=rule).verdict is INCONCLUSIVE
    allowed = judge(reading, LIMIT, rule=rule, doubts={Doubt.CLIPPED: True})
    assert (allowed.verdict, allowed.allowed) == (PASS, (Doubt.CLIPPED,))


def test_one_shot_without_a_number_or_without_a_budget_stops_the_others() -> None:
    good, rule = known(15.0, 1.0), DecisionRule.read("guarded acceptance")
    for bad in (Reading(None, "V", reason="no edge"), Reading(math.nan, "V"), replace(good, budget=None)):
        for over in ("each", "mean", "max"):
            assert judge([good, bad, good], LIMIT, over=over, rule=rule).verdict is INCONCLUSIVE, (bad, over)
    assert judge([good, known(25.0, 1.0), good], LIMIT, rule=rule).verdict is FAIL
