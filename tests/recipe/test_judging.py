"""`judge:` at the top of a recipe, on a measurement and on one limit: what is read, and what is refused and where."""

from __future__ import annotations

import pytest

from wavewright.errors import FileFault
from wavewright.recipe.load import parse_recipe

RECIPE = """\
wavewright: 1
title: Guarded limits
TOP
measurements:
  m:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 2 ms, points: 20k}
    INNER
    compute:
      level: {metric: mean, limit: 3.3 V ± 2 %, OWN}
      ripple: {metric: peak_to_peak, limit: at most 40 mV}
    meter: {slow: {quantity: dc_voltage, limit: 3.3 V ± 2 %, METER}}
"""


def filled(*, top: str = "", inner: str = "", own: str = "", meter: str = "") -> str:
    text = RECIPE.replace("TOP", top).replace("INNER", inner)
    return text.replace(", OWN", f", {own}" if own else "").replace(", METER", f", {meter}" if meter else "")


def rules(text: str) -> list[str]:
    (measurement,) = parse_recipe(text, "recipe.yaml").measurements
    return [str(measurement.rule_of(entry)) for entry in (*measurement.compute.values(), *measurement.meterings)]


def test_the_nearest_rule_decides() -> None:
    assert rules(filled()) == ["simple", "simple", "simple"]
    acceptance, rejection = "guarded acceptance with guard 1 U", "guarded rejection with risk 5 %"
    assert rules(filled(top="judge: guarded acceptance")) == [acceptance] * 3
    inner = "judge: {rule: guarded rejection, risk: 5 %}"
    assert rules(filled(top="judge: guarded acceptance", inner=inner)) == [rejection] * 3
    text = filled(top="judge: guarded acceptance", inner=inner, own="judge: simple", meter="judge: guarded")
    assert rules(text) == ["simple", rejection, "guarded with guard 1 U"]


def test_a_parameter_may_say_the_rule() -> None:
    text = filled(top="parameters: {band: {default: 1 U}}", inner="judge: {rule: guarded, guard: $band}")
    (measurement,) = parse_recipe(text, "recipe.yaml", set={"band": "0.5 U"}).measurements
    assert str(measurement.rule_of()) == "guarded with guard 0.5 U"


REFUSED = [
    # where it is put, what is put there, what stands at the place of the fault, what is said
    ("top", "judge: garded", "garded", "did you mean `guarded`?"),
    ("top", "judge: [guarded]", "[guarded]", "where a decision rule is required"),
    ("top", "judge: {rule: guarded, gard: 1 U}", "gard: 1 U", "did you mean `guard`?"),
    ("inner", "judge: {rule: guarded, guard: 1 u}", "1 u", "`1 u` is not the width of a guard band"),
    ("inner", "judge: {rule: guarded, risk: 60 %}", "60 %", "a risk of 60 %"),
    ("inner", "judge: {guard: 1 U}", "{guard", "`rule` is missing"),
    ("own", "judge: simpel", "simpel", "did you mean `simple`?"),
    ("own", "judge: {rule: garded}", "garded", "did you mean `guarded`?"),
    ("own", "judge: {rule: guarded, guard: 1 U, risk: 5 %}", "guarded, guard", "`guard` and `risk` together"),
    ("meter", "judge: guarded axceptance", "guarded axceptance", "did you mean `guarded acceptance`?"),
]  # fmt: skip


@pytest.mark.parametrize("where, put, stands, said", REFUSED, ids=[row[1] for row in REFUSED])
def test_what_is_no_rule_is_refused_at_its_place(where: str, put: str, stands: str, said: str) -> None:
    text = filled(**{where: put})
    with pytest.raises(FileFault) as caught:
        parse_recipe(text, "recipe.yaml")
    message = str(caught.value)
    assert said in message
    file, line, column = message.split(": ", 1)[0].split(":")
    assert file == "recipe.yaml"
    assert text.splitlines()[int(line) - 1][int(column) - 1 :].startswith(stands)


def refused(entry: str) -> str:
    with pytest.raises(FileFault) as caught:
        parse_recipe(
            filled(inner="judge: guarded").replace("ripple: {metric: peak_to_peak, limit: at most 40 mV}", entry),
            "r.yaml",
        )
    return str(caught.value)


def test_a_limit_that_a_guard_band_leaves_nothing_of_is_refused() -> None:
    assert "`exactly 3.3 V` has no width" in refused("ripple: {metric: maximum, limit: exactly 3.3 V}")
    text = refused("ripple: {metric: maximum, limit: exactly 3.3 V, judge: guarded acceptance}")
    assert "no reading could pass" in text
    assert "judge: simple" in text


def test_a_single_value_may_be_required_under_simple_acceptance_or_guarded_rejection() -> None:
    for rule in ("simple", "guarded rejection"):
        entry = f"ripple: {{metric: maximum, limit: exactly 3.3 V, judge: {rule}}}"
        parse_recipe(
            filled(inner="judge: guarded").replace("ripple: {metric: peak_to_peak, limit: at most 40 mV}", entry), "r"
        )


def test_a_number_of_things_has_no_guard_band_of_its_own() -> None:
    entry = "ripple: {metric: rising_edges, level: 1 V, limit: exactly 3, judge: guarded acceptance}"
    assert "a number of things, which has no uncertainty" in refused(entry)


def test_a_number_of_things_is_allowed_in_a_guarded_recipe() -> None:
    entry = "ripple: {metric: rising_edges, level: 1 V, limit: exactly 3}"
    parse_recipe(
        filled(inner="judge: guarded").replace("ripple: {metric: peak_to_peak, limit: at most 40 mV}", entry), "r"
    )


def test_a_rule_without_a_limit_is_refused() -> None:
    assert "`judge` without a limit" in refused("ripple: {metric: maximum, judge: guarded}")
