"""Guard bands from the recipe to the verdict, on the simulated bench: a run, recomputed and verified."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

import wavewright as ww
from tests.running.conftest import ROOT
from wavewright.instruments.bench_file import BenchFile
from wavewright.logbook.judged_again import unfollowed, unfollowed_by_captures
from wavewright.logbook.outcome_files import outcome_as_json, outcome_from_json
from wavewright.logbook.recompute import recompute
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run import run
from wavewright.running.run_options import RunOptions

GUARDED = (ROOT / "recipes" / "guarded_rail.yaml").read_text(encoding="utf-8")
ALLOWED = GUARDED.replace(
    "judge: guarded ", "doubts: {few_codes: allow}\njudge: guarded "
)  # what is not the question here
LIMIT = "limit: 3.3 V ± 3 %}         #"


def recipe(*, limit: str = "", rule: str = "guarded", more: str = "", text: str = ALLOWED) -> Recipe:
    """The shipped recipe, with another limit for the level that the digitizer reads, or another rule."""
    text = text.replace("judge: guarded ", f"judge: {rule} ")
    if limit:
        text = text.replace(LIMIT, f"limit: {limit}}}  #")
    return parse_recipe(text.replace("    meter:\n", f"{more}    meter:\n"), "guarded_rail.yaml")


def outcome_of(wanted: Recipe, bench: BenchFile) -> Outcome:
    return run(wanted, bench, RunOptions(seed=204), pause=lambda seconds: None)


@pytest.fixture(scope="module")
def ran(bench: BenchFile) -> Outcome:
    return outcome_of(recipe(), bench)


def test_the_shipped_recipe_does_the_same(bench: BenchFile) -> None:
    assert outcome_of(recipe(text=GUARDED), bench).verdict == "inconclusive"


def test_the_meter_can_decide_what_the_digitizer_cannot(ran: Outcome) -> None:
    level, by_meter = ran.results["rail.level"], ran.results["rail.level_by_meter"]
    assert (level.verdict, by_meter.verdict) == ("inconclusive", "pass")
    assert "but by less than the guard band of " in level.reason
    assert "probability of conformance 9" in level.reason
    assert (by_meter.conformance or 0.0) > 0.9999
    assert ran.verdict == "inconclusive"


def test_a_value_inside_its_limit_by_86_uv_is_not_a_guarded_pass(ran: Outcome, bench: BenchFile) -> None:
    # u is some 46 mV: by simple acceptance this is a pass
    value = ran.results["rail.level"].reading.value
    assert value is not None
    limit = f"at least {value - 86e-6:.9f} V"
    simple = outcome_of(recipe(limit=limit, rule="simple"), bench).results["rail.level"]
    assert (simple.verdict, simple.conformance) == ("pass", None)
    for rule, verdict in (("guarded", "inconclusive"), ("guarded acceptance", "fail")):
        guarded = recompute(ran, recipe(limit=limit, rule=rule)).outcome
        assert guarded is not None
        result = guarded.results["rail.level"]
        assert (result.verdict, result.margin) == (verdict, pytest.approx(86e-6, rel=1e-4))
        assert result.conformance == pytest.approx(0.5, abs=0.01)


def test_a_run_and_its_recomputation_decide_alike_to_the_last_bit(ran: Outcome) -> None:
    again = recompute(ran)
    assert again.is_same
    assert again.outcome is not None
    for name, result in ran.results.items():
        now = again.outcome.results[name]
        assert (now.rule, now.conformance, now.reason) == (result.rule, result.conformance, result.reason)


def test_another_rule_is_another_verdict_on_the_same_readings(ran: Outcome) -> None:
    found = recompute(ran, recipe(rule="simple"))
    assert found.has_same_readings
    why = {one.name: one.why for one in found.differences}
    assert why == {"rail.level": "other rule, other verdict", "rail.level_by_meter": "other rule"}


def test_what_was_decided_is_kept_and_can_be_verified(ran: Outcome) -> None:
    plain = outcome_as_json(ran)
    assert outcome_from_json(plain).results["rail.level"].conformance == ran.results["rail.level"].conformance
    assert not list(unfollowed(ran, plain))
    assert not list(unfollowed_by_captures(ran, plain))


def test_a_verdict_or_a_rule_that_was_changed_afterwards_is_found(ran: Outcome) -> None:
    level, *rest = ran.measurements[0].results
    for changed, said in (
        (replace(level, verdict=ran.results["rail.level_by_meter"].verdict), "say inconclusive"),
        (replace(level, rule="simple"), "the decision rule of `rail.level`, `simple`"),
        (replace(level, rule="guarded with guard 0.1 U"), "the decision rule of `rail.level`"),
        (replace(level, conformance=0.99999), "probability"),
    ):
        forged = replace(ran, measurements=(replace(ran.measurements[0], results=(changed, *rest)),))
        assert any(said in text for text in unfollowed(forged, outcome_as_json(forged))), said


def test_an_uncertainty_that_was_made_smaller_afterwards_is_found(ran: Outcome) -> None:
    plain = outcome_as_json(ran)
    plain["measurements"][0]["results"][0]["stated"]["expanded_uncertainty"] /= 10
    assert any("the uncertainty of `rail.level`" in text for text in unfollowed(ran, plain))


def test_joined_shots_and_counts_are_decided_too(bench: BenchFile) -> None:
    more = "      edges: {metric: rising_edges, level: 1.65 V, limit: exactly 0, doubts: {level_not_reached: allow}}\n"
    text = recipe(more=more).text.replace("    stimulus:", "    shots: 3\n    stimulus:")
    for over in ("mean", "max", "each"):
        joined = text.replace("metric: mean, limit: 3.3 V ± 3 %", f"metric: mean, over: {over}, limit: 3.3 V ± 5 %")
        results = outcome_of(parse_recipe(joined, "joined.yaml"), bench).results
        level, edges = results["rail.level"], results["rail.edges"]
        assert (level.verdict, level.rule) == ("pass", "guarded with guard 1 U"), level.reason
        # what three shots have in common does not become less by joining them
        assert level.reading.budget is not None
        assert level.reading.budget.standard > 0.035
        assert (edges.verdict, edges.rule, edges.conformance) == ("pass", "simple", None), edges.reason


def test_an_uncertainty_beyond_the_tolerance_says_so(bench: BenchFile) -> None:
    result = outcome_of(recipe(limit="3.3 V ± 1 %"), bench).results["rail.level"]
    assert result.verdict == "inconclusive"
    assert "leave no value that could pass" in result.reason


def test_before_the_run_it_is_said_that_no_reading_could_pass(bench: BenchFile) -> None:
    # by the stated accuracy U is some 77 mV and the guard band half of it: 3.3 V ± 1 % leaves nothing, ± 2 % something
    for rule, limit, is_empty in (
        ("guarded acceptance with guard 0.5 U", "3.3 V ± 1 %", True),
        ("guarded acceptance with risk 2.5 %", "3.3 V ± 2 %", True),
        ("guarded acceptance with guard 0.5 U", "3.3 V ± 2 %", False),
        ("guarded rejection", "3.3 V ± 1 %", False),
    ):
        (found,) = ww.fitness(recipe(limit=limit, rule=rule), bench=bench)
        assert ("no reading could pass" in found.what) == is_empty, (rule, found.what)
        assert found.cannot_decide
        assert ("no reading could pass" in found.told) == is_empty


def test_a_comparison_is_judged_by_its_own_budget(bench: BenchFile) -> None:
    again = """\
  again:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 10 ms, points: 10k}
    trigger: {mode: auto, level: 1.65 V}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}, then_wait: 100 ms}]
    compare: {before: {of: rail, with: rail, offset: LIMIT, judge: RULE}}
"""
    # gain and offset are those of one input: what is left is the width of a code, 8 V / 256, in both records
    for limit, rule, verdict in (
        ("0 V ± 20 mV", "guarded", "inconclusive"),
        ("0 V ± 80 mV", "guarded", "pass"),
        ("0 V ± 20 mV", "simple", "pass"),
    ):
        text = ALLOWED + again.replace("LIMIT", limit).replace("RULE", rule)
        result = outcome_of(parse_recipe(text, "again.yaml"), bench).results["again.before.offset"]
        assert result.verdict == verdict, result.reason
        budget = result.reading.budget
        assert budget is not None
        assert budget.standard == pytest.approx(math.sqrt(2) * 8 / 256 / math.sqrt(12), rel=0.1)
