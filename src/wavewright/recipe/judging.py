"""`judge:`: the decision rule of a recipe, a measurement or one limit, in one line or as keys."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.located_yaml import YamlMapping
from wavewright.grammar.model_reading import refusal
from wavewright.judgement.decision_rules import EXPECTED, KEYS, NAMES, DecisionRule, RuleName
from wavewright.judgement.limits import Limit
from wavewright.judgement.shown import COUNT
from wavewright.nearest import did_you_mean

ABOUT_JUDGE = (
    "decision rule: simple, guarded acceptance, guarded rejection or guarded; with a guard band that is a factor of "
    "the expanded uncertainty U, or follows from an allowed risk"
)
JUDGE_EXAMPLES: list[Any] = ["guarded acceptance", {"rule": "guarded", "risk": "2.5 %"}]


def read_judging(value: object) -> tuple[DecisionRule | None, tuple[FileFault, ...]]:
    """What `judge:` says, and all that is wrong with it; a fault without a place is about the whole."""
    if isinstance(value, DecisionRule):
        return value, ()
    if isinstance(value, Mapping) and (faults := tuple(_unknown_keys(value))):
        return None, faults
    try:
        if isinstance(value, str):
            return DecisionRule.read(value), ()
        if isinstance(value, Mapping):
            return DecisionRule.from_entry(value), ()
    except Misuse as fault:
        return None, (FileFault(fault.what, where=_place(value), expected=fault.expected, do=fault.do),)
    return None, (FileFault(f"`{value}` where a decision rule is required", expected=EXPECTED),)


def check_guarded(rule: DecisionRule, limit: Limit | None, *, unit: str) -> None:
    """Refuse a rule of one limit that cannot decide it.

    Raises
    ------
    Misuse : there is no limit, what is limited is a number of things, or a guard band leaves nothing of the limit.
    """
    if limit is None:
        raise Misuse("`judge` without a limit", expected="`limit:` beside it", do="add a limit, or remove `judge`")
    if rule.is_guarded and unit == COUNT:
        what = f"`{rule.name}` of a number of things, which has no uncertainty"
        raise Misuse(what, expected="`simple`", do="remove `judge`: a number of things is judged by `simple` anyway")
    check_leaves_something(rule, limit)


def check_leaves_something(rule: DecisionRule, limit: Limit) -> None:
    """Refuse a rule with which no reading could pass, whatever its uncertainty.

    Raises
    ------
    Misuse : the limit is a single value, of something else than a number of things.
    """
    if limit.interval.low == limit.interval.high and limit.unit != COUNT and rule.guards_acceptance:
        raise Misuse(
            f"`{limit}` has no width: with `{rule}` no reading could pass",
            expected="a limit that is wider than two guard bands",
            do="give the limit a tolerance, `3.3 V ± 2 %`, or write `judge: simple`",
        )


def _unknown_keys(entry: Mapping[Any, Any]) -> Iterator[FileFault]:
    for key in entry:
        if key not in KEYS:
            where = entry.key_place(key) if isinstance(entry, YamlMapping) else ""
            what, do = f"unknown key `{key}` in `judge`", did_you_mean(key, KEYS)
            yield FileFault(what, where=where, expected=f"one of {', '.join(KEYS)}", do=do)


def _place(value: object) -> Place | str:
    """Of the only key that says more than the name of the rule, if there is only one."""
    more = [key for key in value if key != "rule"] if isinstance(value, YamlMapping) else []
    if isinstance(value, YamlMapping) and value.get("rule") in NAMES and len(more) == 1:
        return value.value_place(more[0])
    if isinstance(value, YamlMapping) and "rule" in value:
        return value.value_place("rule")
    return ""


def _validated(value: object) -> DecisionRule | None:
    if value is None:
        return None
    rule, faults = read_judging(value)
    if faults:
        raise refusal(
            *(one if one.where else Misuse(one.what, expected=one.expected, do=one.do) for one in faults),
        )
    return rule


SCHEMA = {
    "anyOf": [
        {"anyOf": [{"const": name.value, "description": name.meaning} for name in RuleName]},
        {"type": "string"},
        {
            "type": "object",
            "additionalProperties": False,
            "required": ["rule"],
            "properties": {
                "rule": {
                    "anyOf": [{"const": name.value, "description": name.meaning} for name in RuleName],
                    "description": "which readings pass, which fail, and whether some are neither",
                },
                "guard": {
                    "type": "string",
                    "description": "width of the guard band as a factor of U; 1 U if neither this nor risk is given",
                    "examples": ["1 U"],
                },
                "risk": {
                    "type": "string",
                    "description": "instead of guard: the largest probability that a verdict is wrong",
                    "examples": ["2.5 %"],
                },
                "coverage": {
                    "type": "string",
                    "description": "with guard: probability with which U covers the true value; 95 % if left out",
                    "examples": ["95.45 %"],
                },
            },
        },
    ]
}
Judging = Annotated[DecisionRule, BeforeValidator(_validated), WithJsonSchema(SCHEMA)]
"""Field of a model that holds `judge:`."""
