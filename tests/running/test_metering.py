from __future__ import annotations

from collections.abc import Callable

import pytest

from wavewright.errors import FileFault
from wavewright.instruments.profile import load_profile
from wavewright.instruments.vocabulary import Role
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import parse_recipe
from wavewright.running.evaluate import evaluate
from wavewright.running.outcome import Outcome
from wavewright.running.plan import plan

RECIPE = """
wavewright: 1
title: What the meter says
measurements:
  powered:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, range: 8 V, offset: 2 V, probe: 10x}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: auto, level: 3 V}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}, then_wait: 100 ms}]
    shots: 2
    compute: {mean: {limit: 3.3 V ± 5 %}}
    meter:
      rail: {quantity: dc_voltage, range: 10 V, cycles: 1, limit: 3.3 V ± 2 %}
      current: {quantity: dc_current, limit: 100 mA .. 200 mA, over: mean}
"""


def test_the_meter_is_read_after_every_shot_and_held_against_its_limit(run_text: Callable[..., Outcome]) -> None:
    # math: 24 V across the board's 160 ohm are 150 mA; the rail lies within 1 % of 3.3 V, as the board file has it
    outcome = run_text(RECIPE)
    results = outcome.results
    assert results["powered.rail"].verdict is Verdict.PASS
    assert len(results["powered.rail"].shots) == 2
    assert results["powered.current"].reading.value == pytest.approx(0.150, rel=0.02)
    assert results["powered.current"].reading.unit == "A"
    assert results["powered.rail"].metric == "dc_voltage"


def test_what_the_meter_read_is_kept_with_the_capture_and_can_be_judged_again(run_text: Callable[..., Outcome]) -> None:
    outcome = run_text(RECIPE)
    measurement = parse_recipe(RECIPE, "m.yaml").measurements[0]
    again = {result.name: result for result in evaluate(measurement, outcome.captures["powered"])}
    assert again["rail"].reading == outcome.results["powered.rail"].reading


def test_a_capture_without_the_reading_is_inconclusive(run_text: Callable[..., Outcome]) -> None:
    without = RECIPE[: RECIPE.index("    meter:")]
    captures = run_text(without).captures["powered"]
    results = evaluate(parse_recipe(RECIPE, "m.yaml").measurements[0], captures)
    (rail,) = (result for result in results if result.name == "rail")
    assert rail.verdict is Verdict.INCONCLUSIVE
    assert rail.reason == "it was not read in this run"


def test_the_plan_says_what_the_meter_is_asked() -> None:
    names = ("scpi-digitizer", "scpi-supply", "scpi-meter")
    profiles = {profile.role: profile for profile in map(load_profile, names)}
    (one,) = plan(parse_recipe(RECIPE, "m.yaml"), profiles, attenuations={}).measurements
    asked = [step for step in one.for_every_shot if step.role == Role.METER]
    assert [step.purpose for step in asked] == ["read rail", "read current"]
    assert all(step.messages[-1].endswith("?") for step in asked)


@pytest.mark.parametrize(
    "wrong, said",
    [
        ("quantity: dc_voltag,", "did you mean `dc_voltage`?"),
        ("quantity: dc_voltage, range: 10 A,", "`10 A` is a current"),
        ("quantity: dc_voltage, rnage: 10 V,", "did you mean `range`?"),
    ],
)
def test_a_wrong_entry_is_refused_with_its_place(wrong: str, said: str) -> None:
    with pytest.raises(FileFault) as caught:
        parse_recipe(RECIPE.replace("quantity: dc_voltage, range: 10 V,", wrong), "m.yaml")
    assert said in str(caught.value)
    assert "m.yaml:14:" in str(caught.value)
