"""Decision rules: how far inside its limit a reading must be to pass, and how far outside to fail.

Names after JCGM 106:2012, clause 8 †: with simple acceptance the value alone decides; a guard band moves the ends of
what is accepted inwards (guarded acceptance), or those of what is rejected outwards (guarded rejection).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from wavewright.errors import Misuse
from wavewright.nearest import did_you_mean
from wavewright.quantities import Quantity, read_quantity

USUAL_COVERAGE = 0.95
LEAST_RISK = 1e-6  # nobody knows the tails of a distribution further out
LARGEST_GUARD = 10.0  # times U: more is a slip of the pen
_GUARD = re.compile(r"(?P<factor>[^\sU]+)\s*U")


class RuleName(StrEnum):
    """Which readings pass, which fail, and whether some are neither."""

    meaning: str

    def __new__(cls, word: str, meaning: str = "") -> RuleName:
        """A member from its entry; the meaning is left out only where a member is looked up."""
        member = str.__new__(cls, word)
        member._value_ = word
        member.meaning = meaning
        return member

    SIMPLE = ("simple", "the value decides, and its uncertainty does not")
    GUARDED_ACCEPTANCE = ("guarded acceptance", "a pass is at least a guard band inside the limit, all else fails")
    GUARDED_REJECTION = ("guarded rejection", "a fail is at least a guard band outside the limit, all else passes")
    GUARDED = ("guarded", "both; what lies between is inconclusive")


NAMES = tuple(name.value for name in RuleName)
KEYS = ("rule", "guard", "risk", "coverage")
EXPECTED = (
    f"one of {', '.join(NAMES)}; those with a guard band may go on with ` with guard 1 U` or ` with risk 2.5 %`, "
    "or be written `{rule: guarded, guard: 1 U}`"
)


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """One rule, with the width of its guard band.

    Parameters
    ----------
    guard : width as a factor of the expanded uncertainty U. None where `risk` says how wide it is.
    risk : the largest probability that a reading which passes is outside the limit and, with a guard band on the other
        side, that one which fails is inside. The width follows from the distribution of the reading's budget.
    coverage : probability with which U covers the true value: 0.95, or 0.9545 for k = 2 of a normal distribution.
    """

    name: RuleName = RuleName.SIMPLE
    guard: float | None = None
    risk: float | None = None
    coverage: float = USUAL_COVERAGE

    def __str__(self) -> str:
        """In one line, which `read` reads back."""
        if not self.is_guarded:
            return self.name.value
        width = f"guard {self.guard:.15g} U" if self.guard is not None else f"risk {Quantity(self.risk or 0.0, '1')}"
        covering = f", coverage {Quantity(self.coverage, '1')}" if self.coverage != USUAL_COVERAGE else ""
        return f"{self.name.value} with {width}{covering}"

    @property
    def is_guarded(self) -> bool:
        """Whether the uncertainty of a reading has a say."""
        return self.name is not RuleName.SIMPLE

    @property
    def guards_acceptance(self) -> bool:
        """Whether a pass must be inside the limit by the guard band."""
        return self.name in (RuleName.GUARDED_ACCEPTANCE, RuleName.GUARDED)

    @property
    def guards_rejection(self) -> bool:
        """Whether a fail must be outside the limit by the guard band."""
        return self.name in (RuleName.GUARDED_REJECTION, RuleName.GUARDED)

    @classmethod
    def read(cls, text: str) -> DecisionRule:
        """From one line: `simple`, `guarded`, `guarded acceptance with guard 1 U`, `guarded rejection with risk 5 %`.

        Raises
        ------
        Misuse : it is not a rule; says what would be.

        Examples
        --------
        >>> str(DecisionRule.read("guarded acceptance"))
        'guarded acceptance with guard 1 U'
        """
        words = " ".join(text.split())
        name, _, rest = words.partition(" with ")
        entry: dict[str, str] = {"rule": name}
        for part in rest.split(",") if rest else ():
            key, _, value = part.strip().partition(" ")
            if key in entry:
                raise Misuse(f"`{key}` twice in the decision rule `{words}`", expected="each once")
            entry[key] = value
        return cls.from_entry(entry)

    @classmethod
    def from_entry(cls, entry: Mapping[str, Any]) -> DecisionRule:
        """From keys and words: `{rule: guarded acceptance, guard: 0.83 U, coverage: 95.45 %}`.

        Raises
        ------
        Misuse : it is not a rule; says what would be.
        """
        for key in entry:
            if key not in KEYS:
                what = f"unknown key `{key}` in a decision rule"
                raise Misuse(what, expected=f"one of {', '.join(KEYS)}", do=did_you_mean(key, KEYS))
        if "rule" not in entry:
            raise Misuse("`rule` is missing in a decision rule", expected=f"one of {', '.join(NAMES)}")
        word = entry["rule"]
        if word not in NAMES:
            raise Misuse(f"`{word}` is not a decision rule", expected=EXPECTED, do=did_you_mean(word, NAMES))
        rule = cls(RuleName(word))
        if not rule.is_guarded:
            if more := [key for key in entry if key != "rule"]:
                what = f"`{more[0]}` with the decision rule `simple`, which has no guard band"
                raise Misuse(what, expected="`simple` alone", do="write `guarded acceptance`, say, or remove it")
            return rule
        if "guard" in entry and "risk" in entry:
            raise Misuse("`guard` and `risk` together: each says how wide the guard band is", expected="one of the two")
        coverage = _read_coverage(entry["coverage"]) if "coverage" in entry else USUAL_COVERAGE
        if "risk" in entry:
            if "coverage" in entry:
                raise Misuse("`coverage` says how U is meant, and with `risk` there is no U", expected="`risk` alone")
            return replace(rule, risk=_read_risk(entry["risk"]))
        return replace(rule, guard=_read_guard(entry.get("guard", "1 U")), coverage=coverage)


SIMPLE = DecisionRule()


def _read_guard(text: object) -> float:
    match = _GUARD.fullmatch(" ".join(str(text).split()))
    if match is None:
        raise Misuse(f"`{text}` is not the width of a guard band", expected="a factor of U, such as `1 U` or `0.83 U`")
    factor = read_quantity(match["factor"], unit="number", most=LARGEST_GUARD).value
    if factor <= 0:
        raise Misuse(f"a guard band of `{text}`", expected="a width above 0; without a guard band the rule is `simple`")
    return factor


def _read_risk(text: object) -> float:
    risk = read_quantity(str(text), unit="1").value
    if not LEAST_RISK <= risk < 0.5:
        raise Misuse(f"a risk of {Quantity(risk, '1')}", expected="from 1 ppm to below 50 %, such as `2.5 %`")
    return risk


def _read_coverage(text: object) -> float:
    coverage = read_quantity(str(text), unit="1").value
    if not 0.5 <= coverage < 1:
        raise Misuse(
            f"a coverage of {Quantity(coverage, '1')}", expected="50 % or more and below 100 %: `95.45 %`, say"
        )
    return coverage
