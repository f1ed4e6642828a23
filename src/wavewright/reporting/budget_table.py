"""The budget of one reading as a table: one row per contribution, the largest first."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.judgement.shown import show_expanded, show_reach, show_reading, stated_uncertainty

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
    stated, budget = stated_uncertainty(reading), reading.budget
    value = show_reading(reading, None)
    if budget is None or reading.value is None:
        yield (
            f"{value}, {show_reach(reading)}: it has no budget"
            if show_reach(reading)
            else f"{value}: a number of things"
        )
        return
    if missing := "; ".join(budget.missing):
        yield f"{value}, {show_reach(reading)}; not known: {missing}"
        return
    standard, factor = stated["standard_uncertainty"], stated["coverage_factor"]
    if not standard or factor is None:
        yield f"{value}: without uncertainty"
        return
    yield (
        f"{value} {show_reach(reading)} (95 %, k = {factor:.2f}); combined standard uncertainty "
        f"{show_expanded(standard, reading.unit, beside=reading.value)}, "
        f"degrees of freedom {_freedom(budget.degrees_of_freedom)}"
    )


def budget_as_json(reading: Reading) -> dict[str, Any]:
    """All digits of the table; `missing` says what is not known."""
    budget = reading.budget
    plain: dict[str, Any] = {"value": reading.value, "unit": reading.unit, **stated_uncertainty(reading)}
    if budget is None:
        return {**plain, "complete": False, "degrees_of_freedom": None, "contributions": [], "missing": []}
    return {
        **plain,
        "complete": budget.is_complete,
        "degrees_of_freedom": _number(budget.degrees_of_freedom),
        "contributions": [{**row.contribution.as_json(), "share": row.share} for row in budget_rows(reading)],
        "missing": list(budget.missing),
    }


def _freedom(number: float) -> str:
    return ENDLESS if not math.isfinite(number) else f"{number:.3g}"


def _number(number: float) -> float | None:
    return number if math.isfinite(number) else None
