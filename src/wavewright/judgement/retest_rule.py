"""The verdict of a unit that was run more than once, and what running it again does to the risk of accepting it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from wavewright.errors import Misuse
from wavewright.judgement.verdict import Verdict

MOST_RETESTS = 20
EXPECTED_UNIT_VERDICT = "`last`, `first`, or `2 of 3 pass`"


@dataclass(frozen=True, slots=True)
class RetestRule:
    """How often a unit may be run again, after which verdicts, and what its verdict is then.

    Parameters
    ----------
    at_most : runs after the first.
    when : verdicts after which it is run again.
    passes : how many of its runs must pass; 0: the last run decides, −1: the first.
    """

    at_most: int
    when: tuple[Verdict, ...]
    passes: int = 0

    @property
    def words(self) -> str:
        """How the verdict of the unit follows, as a recipe says it."""
        if self.passes > 0:
            return f"{self.passes} of {self.at_most + 1} pass"
        return "first" if self.passes else "last"

    def unit_verdict(self, verdicts: Sequence[Verdict]) -> Verdict:
        """The verdict of a unit from those of its runs, in their order.

        A unit whose runs have all passed has passed. Else, where some of its runs must pass, only those count that the
        rule provides for, and with too few of them it is the worst.

        Raises
        ------
        Misuse : no run.
        """
        if not verdicts:
            raise Misuse("a unit without a run", expected="the verdict of one run or more")
        if self.passes <= 0:
            return verdicts[0 if self.passes else -1]
        counted = verdicts[: self.at_most + 1]
        passed = sum(one is Verdict.PASS for one in counted)
        if passed == len(counted) or passed >= self.passes:
            return Verdict.PASS
        return max(counted, key=lambda one: one.severity)

    def is_due(self, verdicts: Sequence[Verdict]) -> bool:
        """Whether the rule runs a unit again: its verdict is not settled, and it has a run left."""
        if not verdicts or len(verdicts) > self.at_most or verdicts[0] not in self.when:
            return False
        if self.passes <= 0:
            return verdicts[-1] in self.when
        passed = sum(one is Verdict.PASS for one in verdicts)
        return passed < self.passes <= passed + self.at_most + 1 - len(verdicts)

    def refusal(self, verdicts: Sequence[Verdict]) -> str:
        """Why a unit with these runs may not be run once more; empty where it may.

        A unit that has passed every time is not retested, however often it is run.
        """
        first = next((place for place, one in enumerate(verdicts) if one is not Verdict.PASS), None)
        if first is None:
            return ""
        retests = len(verdicts) - 1 - first
        if retests >= self.at_most:
            after = "a run that did not pass"
            return f"it was run {len(verdicts)} times; the recipe allows {self.at_most} retests after {after}"
        if verdicts[-1] not in (*self.when, Verdict.PASS):
            return f"its last verdict is {verdicts[-1]}; the recipe retests after {', '.join(self.when)}"
        return ""


def acceptance(rule: RetestRule, passing: float) -> float:
    """Probability that a unit is accepted of which each run passes with the probability `passing`.

    Runs are taken as independent: only what scatters from run to run is averaged out, an error that stays is not.

    Examples
    --------
    >>> twice = RetestRule(2, (Verdict.FAIL,))
    >>> acceptance(twice, 0.5)
    0.875
    """
    if not 0 <= passing <= 1:
        raise Misuse(f"a probability of {passing:g}", expected="a number from 0 to 1")

    def from_here(verdicts: tuple[Verdict, ...]) -> float:
        if verdicts and not rule.is_due(verdicts):
            return float(rule.unit_verdict(verdicts) is Verdict.PASS)
        after = [from_here((*verdicts, one)) for one in (Verdict.PASS, Verdict.FAIL)]
        return passing * after[0] + (1 - passing) * after[1]

    return from_here(())


def read_unit_verdict(text: str, at_most: int) -> int:
    """The `passes` of a rule that words mean.

    Raises
    ------
    Misuse : no rule, or one about another number of runs than there can be.
    """
    words = " ".join(text.split()).lower()
    if words in ("last", "first"):
        return 0 if words == "last" else -1
    match = re.fullmatch(r"(\d+) of (\d+) pass", words)
    if match is None:
        raise Misuse(f"`{text}` does not say the verdict of a unit", expected=EXPECTED_UNIT_VERDICT)
    passes, of = int(match[1]), int(match[2])
    if of != at_most + 1 or not 1 <= passes <= at_most:  # all of them: a failed unit could never pass again
        raise Misuse(
            f"`{text}` with at most {at_most} retests",
            expected=f"M of {at_most + 1} pass, M from 1 to {at_most}",
        )
    return passes
