"""The budget of one reading as a table: one row per contribution, the largest first."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from wavewright.analysis.reading import Reading
from wavewright.analysis.statistics.event_rate import EventRate
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.judgement.shown import RECORD_ONLY, show_expanded, show_reach, show_reading, stated_uncertainty
from wavewright.quantities import show_quantity

BUDGET_HEADINGS = ("contribution", "u", "distribution", "sensitivity", "dof", "share", "source")
ENDLESS = "∞"
CAUSES_IN_UNIT = "1"  # the sensitivity of a cause that is in the reading's unit already


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One contribution in words; `share` of the variance, 0 … 1, for bars."""

    contribution: Contribution
    name: str
    standard: str
    distribution: str
    sensitivity: str
    degrees_of_freedom: str
    share: float
    source: str

    @property
    def cells(self) -> tuple[str, ...]:
        """What stands below the `BUDGET_HEADINGS`."""
        shown = f"{100 * self.share:.1f} %"
        return (
            self.name,
            self.standard,
            self.distribution,
            self.sensitivity,
            self.degrees_of_freedom,
            shown,
            self.source,
        )


def budget_rows(reading: Reading) -> list[BudgetRow]:
    """The contributions of a reading's budget, the largest first; none where it has no budget."""
    budget = reading.budget
    if budget is None:
        return []
    rows = [
        BudgetRow(
            one,
            name=one.name,
            standard=show_expanded(abs(one.standard), reading.unit, beside=reading.value or math.inf),
            distribution=str(one.distribution),
            sensitivity=CAUSES_IN_UNIT if one.sensitivity is None else f"{one.sensitivity:.3g}",
            degrees_of_freedom=_freedom(one.degrees_of_freedom),
            share=budget.share(one),
            source=one.source,
        )
        for one in budget.contributions
    ]
    return sorted(rows, key=lambda row: -row.share)


def budget_lines(reading: Reading) -> Iterator[str]:
    """What is said above and below the table: value, combined and expanded uncertainty, and what is not known."""
    budget, value = reading.budget, show_reading(reading, None)
    reach = show_reach(reading)
    if budget is None or reading.value is None:
        yield f"{value}, {reach}: it has no budget" if reach else f"{value}: a number of things"
        return
    if missing := "; ".join(budget.missing):
        yield f"{value}, {reach or RECORD_ONLY}; not known: {missing}"
    elif budget.exact:
        yield f"{value}: exact, {budget.exact}"
    else:
        yield _expanded(reading, value, reach)
    if budget.rate is not None:
        yield _rate(budget.rate)


def _expanded(reading: Reading, value: str, reach: str) -> str:
    stated, budget = stated_uncertainty(reading), reading.budget
    standard, factor = stated["standard_uncertainty"], stated["coverage_factor"]
    if budget is None or not standard or factor is None:
        return f"{value}: without uncertainty"
    if not reach:
        return f"{value}: a number of things, {' and '.join(one.source for one in budget.contributions)}"
    return (
        f"{value} {reach} (95 %, k = {factor:.2f}); combined standard uncertainty "
        f"{show_expanded(standard, reading.unit, beside=reading.value or 0.0)}, "
        f"degrees of freedom {_freedom(budget.degrees_of_freedom)}"
    )


def _rate(rate: EventRate) -> str:
    """How often it happens in the long run, from how often it was seen."""
    ends = " to ".join(show_quantity(end, "1") for end in (rate.low, rate.high))
    return (
        f"seen in {rate.events} of {rate.trials} shots: that stands for {ends} of all shots "
        f"({100 * rate.coverage:g} %, binomial, {rate.method})"
    )


def budget_as_json(reading: Reading) -> dict[str, Any]:
    """All digits of the table; `missing` says what is not known."""
    budget = reading.budget
    plain: dict[str, Any] = {"value": reading.value, "unit": reading.unit, **stated_uncertainty(reading)}
    if budget is None:
        return {
            **plain,
            "complete": False,
            "degrees_of_freedom": None,
            "contributions": [],
            "missing": [],
            "exact": None,
            "rate": None,
        }
    return {
        **plain,
        "complete": budget.is_complete,
        "degrees_of_freedom": _number(budget.degrees_of_freedom),
        "contributions": [{**row.contribution.as_json(), "share": row.share} for row in budget_rows(reading)],
        "missing": list(budget.missing),
        "exact": budget.exact or None,
        "rate": None if budget.rate is None else budget.rate.as_json(),
    }


def _freedom(number: float) -> str:
    return ENDLESS if not math.isfinite(number) else f"{number:.3g}"


def _number(number: float) -> float | None:
    return number if math.isfinite(number) else None
