"""Budget: everything that makes one value uncertain, the interval that follows, and budgets of combined values."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.statistics.event_rate import EventRate
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.coverage import half_width, probability_within
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.errors import Misuse

COVERAGE = 0.95  # probability of the intervals that are shown, unless another is asked for


@dataclass(frozen=True, slots=True, repr=False)
class Budget:
    """The uncertainty of one value (JCGM 100:2008, 5 and 6; the interval by JCGM 101:2008).

    Parameters
    ----------
    value : that it belongs to, in `unit`.
    contributions : those of one cause are added with their signs (bounds by amount), those that make nothing are left
        out; so no key occurs twice, and what is left is independent of each other.
    missing : what makes the value uncertain as well, and by an amount that is not stated; in words.
    exact : of a value that nothing makes uncertain, why; empty of any other.
    rate : of a number of rare events, the share of all trials that it stands for.

    Examples
    --------
    >>> gain = Contribution("gain", 0.01, key="input1:gain", distribution=Distribution.RECTANGULAR)
    >>> budget = Budget(3.3, "V", (gain, Contribution("noise", 0.002)))
    >>> round(budget.standard, 4), round(budget.expanded(0.95), 4)
    (0.0102, 0.0172)
    """

    value: float
    unit: str
    contributions: tuple[Contribution, ...] = ()
    missing: tuple[str, ...] = ()
    exact: str = ""
    rate: EventRate | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "contributions", _merged(self.contributions))
        object.__setattr__(self, "missing", tuple(dict.fromkeys(self.missing)))

    def __repr__(self) -> str:
        """Standard uncertainty, and of how many contributions; `contributions` has them."""
        missing = "" if self.is_complete else ", not complete"
        return f"<Budget: {self.standard:.4g} {self.unit}, {len(self.contributions)} contributions{missing}>"

    @property
    def is_complete(self) -> bool:
        """Whether everything that makes the value uncertain is in it; else it is that of the record only."""
        return not self.missing

    @property
    def standard(self) -> float:
        """The combined standard uncertainty (JCGM 100:2008, 5.1.2), in `unit`."""
        return math.hypot(*(one.standard for one in self.contributions))

    @property
    def degrees_of_freedom(self) -> float:
        """The effective ones, after Welch and Satterthwaite (JCGM 100:2008, G.4.1); infinite where all are."""
        total = self.standard
        if not total:
            return math.inf
        parts = sum(square(square(one.standard / total)) / one.degrees_of_freedom for one in self.contributions)
        return 1 / parts if parts else math.inf

    def expanded(self, coverage: float = COVERAGE) -> float:
        """The expanded uncertainty: half the width of the interval that holds the true value with this probability."""
        return half_width(self.contributions, coverage)

    def not_beyond(self, coverage: float = COVERAGE) -> float:
        """A width that the expanded uncertainty never exceeds, found without the distributions of the contributions.

        Chebyshev's inequality: at least this share of any distribution is within 1/√(1 − share) standard deviations.
        That of a t distribution is larger than its scale, and does not exist for two degrees of freedom or fewer.
        """
        widths = (one.standard * math.sqrt(_variance_of_scale_1(one)) for one in self.contributions)
        return math.hypot(*widths) / math.sqrt(1 - coverage)

    def interval(self, coverage: float = COVERAGE) -> tuple[float, float]:
        """The interval that holds the true value with this probability, in `unit`; symmetric about the value."""
        reach = self.expanded(coverage)
        return self.value - reach, self.value + reach

    def probability_below(self, level: float) -> float:
        """Probability that the true value is at or below a level, in `unit`; 0 … 1."""
        if not self.contributions:
            return 1.0 if self.value <= level else 0.0
        distance = level - self.value
        within = probability_within(self.contributions, abs(distance))
        return (1 + math.copysign(within, distance)) / 2

    def share(self, contribution: Contribution) -> float:
        """Share of a contribution in the variance of the value, 0 … 1."""
        total = self.standard
        return square(contribution.standard / total) if total else 0.0

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and words; without the value, which is with its unit in the reading."""
        plain: dict[str, Any] = {"contributions": [one.as_json() for one in self.contributions]}
        if self.missing:
            plain["missing"] = list(self.missing)
        if self.exact:
            plain["exact"] = self.exact
        if self.rate is not None:
            plain["rate"] = self.rate.as_json()
        return plain

    @classmethod
    def from_json(cls, plain: dict[str, Any], *, value: float, unit: str) -> Budget:
        """What `as_json` made this of."""
        contributions = tuple(Contribution.from_json(one) for one in plain["contributions"])
        rate = None if "rate" not in plain else EventRate.from_json(plain["rate"])
        return cls(value, unit, contributions, tuple(plain.get("missing", ())), plain.get("exact", ""), rate)


def combined(value: float, unit: str, parts: Iterable[tuple[float, Budget]]) -> Budget:
    """The budget of a value that follows from others: contributions of one cause add with their signs before squaring.

    Parameters
    ----------
    value, unit : of the result.
    parts : the budget of each value that it follows from, after the partial derivative of the result by that value:
        1 and −1 for a difference, 1/n for each of n that are averaged (JCGM 100:2008, 5.1.3 and 5.2.2).
    """
    listed = [(float(weight), budget) for weight, budget in parts]
    contributions = [
        replace(
            one,
            standard=weight * one.standard,
            sensitivity=None if one.sensitivity is None else weight * one.sensitivity,
        )
        for weight, budget in listed
        for one in budget.contributions
    ]
    missing = tuple(word for _, budget in listed for word in budget.missing)
    reasons = [budget.exact for _, budget in listed]
    exact = "; ".join(dict.fromkeys(reasons)) if all(reasons) else ""
    return Budget(value, unit, tuple(contributions), missing, exact)


def difference(first: Budget, second: Budget) -> Budget:
    """The budget of `first` minus `second`.

    Raises
    ------
    Misuse : they are in different units.
    """
    if first.unit != second.unit:
        raise Misuse(f"a difference of a value in {first.unit} and one in {second.unit}", expected="the same unit")
    return combined(first.value - second.value, first.unit, [(1.0, first), (-1.0, second)])


def ratio(first: Budget, second: Budget, *, unit: str = "1") -> Budget:
    """The budget of `first` over `second`, linear in both.

    Raises
    ------
    Misuse : the second is 0.
    """
    if not second.value:
        raise Misuse("a ratio over 0", expected="a value other than 0")
    value = first.value / second.value
    return combined(value, unit, [(1 / second.value, first), (-value / second.value, second)])


def mean(budgets: Sequence[Budget]) -> Budget:
    """The budget of the mean of values in one unit: what is common to all of them does not become less.

    Raises
    ------
    Misuse : no value, or several units.
    """
    units = sorted({budget.unit for budget in budgets})
    if len(units) != 1:
        raise Misuse(f"the mean of values in {' and '.join(units) or 'no unit'}", expected="values in one unit")
    value = math.fsum(budget.value for budget in budgets) / len(budgets)
    return combined(value, units[0], [(1 / len(budgets), budget) for budget in budgets])


def _merged(contributions: Iterable[Contribution]) -> tuple[Contribution, ...]:
    """One contribution for each key, with the sum of all; those without a key of one kind as one, with the root sum."""
    kept: dict[tuple[str, ...], list[Contribution]] = {}
    for one in contributions:
        own = (one.key,) if one.key else ("", one.name, one.source, str(one.distribution), str(one.sensitivity))
        mergeable = one.key or one.distribution in (Distribution.NORMAL, Distribution.T)
        kept.setdefault(own if mergeable else (*own, str(len(kept))), []).append(one)
    found = (_sum(group) if group[0].key else _root_sum(group) for group in kept.values())
    return tuple(one for one in found if one.standard)


def _sum(group: Sequence[Contribution]) -> Contribution:
    """Of one and the same cause."""
    if len(group) == 1:
        return group[0]
    sensitivities = [one.sensitivity for one in group if one.sensitivity is not None]
    is_bound = any(one.is_bound for one in group)
    return replace(
        group[0],
        standard=math.fsum(abs(one.standard) if is_bound else one.standard for one in group),
        is_bound=is_bound,
        sensitivity=math.fsum(sensitivities) if len(sensitivities) == len(group) else None,
        degrees_of_freedom=min(one.degrees_of_freedom for one in group),
    )


def _root_sum(group: Sequence[Contribution]) -> Contribution:
    """Of independent causes of one kind; the degrees of freedom after Welch and Satterthwaite."""
    total = math.hypot(*(one.standard for one in group))
    if len(group) == 1 or not total:
        return group[0]
    parts = sum(square(square(one.standard / total)) / one.degrees_of_freedom for one in group)
    return replace(group[0], standard=total, sensitivity=None, degrees_of_freedom=1 / parts if parts else math.inf)


def _variance_of_scale_1(contribution: Contribution) -> float:
    freedom = contribution.degrees_of_freedom
    if contribution.distribution is not Distribution.T or math.isinf(freedom):
        return 1.0
    return freedom / (freedom - 2) if freedom > 2 else math.inf
