"""`retest:` and `quarantine:`: which units are run again, what they are then, and which are set apart."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import parse_tree
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal, validated
from wavewright.grammar.word_fields import CountFrom, Line
from wavewright.judgement.retest_rule import EXPECTED_UNIT_VERDICT, MOST_RETESTS, RetestRule, read_unit_verdict
from wavewright.judgement.verdict import Verdict


class Retesting(GrammarModel):
    """How often a unit may be run again, after which verdicts, and what its verdict is then."""

    at_most: Annotated[int, CountFrom(1, MOST_RETESTS)] = Field(
        description="runs of a unit after its first", examples=[2]
    )
    when: tuple[Verdict, ...] = Field(
        description="verdicts after which a unit is run again: fail, inconclusive, error",
        examples=[["inconclusive", "error"]],
    )
    verdict: Line = Field(
        description=f"what the unit is then: {EXPECTED_UNIT_VERDICT}; a unit that passes at once has passed",
        examples=["2 of 3 pass"],
    )
    by_itself: bool = Field(
        default=True,
        description="whether a batch runs the unit again at once; else when its serial number comes again",
        examples=[False],
    )

    @model_validator(mode="after")
    def _is_a_rule(self) -> Self:
        if Verdict.PASS in self.when or not self.when:
            raise refusal(Misuse("`when` names pass, or nothing", expected="fail, inconclusive, error"))
        try:
            read_unit_verdict(self.verdict, self.at_most)
        except Misuse as fault:
            raise refusal(fault) from fault
        return self

    @property
    def rule(self) -> RetestRule:
        """The rule that it is."""
        return RetestRule(self.at_most, self.when, read_unit_verdict(self.verdict, self.at_most))


class QuarantineCause(StrEnum):
    """What puts units into quarantine by itself."""

    NOT_PASSED = "not passed after retests"
    GOLDEN_UNIT = "golden unit failed"


def retest_rule_in(text: str) -> RetestRule | None:
    """The rule for retests in the text of a recipe, of whatever version; None where it has none."""
    try:
        tree = parse_tree(text, "recipe")
        return validated(tree.mapping_at("retest"), Retesting).rule if "retest" in tree else None
    except FileFault:
        return None
