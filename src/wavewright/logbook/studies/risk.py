"""The study `risk`: how well each limit of the runs is decided, and what that means for a lot."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Annotated, Any

import numpy as np
from sqlalchemy import select

from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.errors import Misuse
from wavewright.judgement.decision import show_probability
from wavewright.judgement.decision_rules import SIMPLE, DecisionRule
from wavewright.judgement.guard_bands import guard_band, probability_of_conformance
from wavewright.judgement.shown import COUNT, acceptable, last_place, show_expanded
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import Filter
from wavewright.logbook.rows import named_results
from wavewright.logbook.studies.catalogue import StudyOption, StudyResult, run_study
from wavewright.logbook.studies.global_risk import (
    Risks,
    conformance_in_lot,
    global_risks,
    narrowed,
    normal_lot,
    width_for_risk,
)
from wavewright.logbook.tables import outcomes
from wavewright.nearest import did_you_mean
from wavewright.quantities import Interval, show_quantity

NOTHING = "–"
FEWEST = 3  # units that say something about the spread of a lot


@dataclass(slots=True)
class _Units:
    """What the runs say of one reading: the newest of each unit, and limit and rule of the newest of all."""

    unit: str
    limit: str = ""
    rule: str = str(SIMPLE)
    readings: dict[str, Mapping[str, Any]] = field(default_factory=dict)

    @property
    def values(self) -> list[float]:
        return [reading["value"] for reading in self.readings.values()]

    @property
    def budgets(self) -> list[Budget]:
        """Those that are complete."""
        known = [reading for reading in self.readings.values() if "budget" in reading]
        found = [Budget.from_json(one["budget"], value=one["value"], unit=self.unit) for one in known]
        return [budget for budget in found if budget.is_complete and budget.standard]


@dataclass(frozen=True, slots=True)
class LimitRisk:
    """How well one limit is decided, in the reading's unit.

    Parameters
    ----------
    mean, spread : of the lot; the spread is that of the readings without what the measurement itself scatters.
    standard, expanded : of one reading, the root mean square over the units; None where no budget is complete.
    ratio : half the width of the limit over the expanded uncertainty; with one end the distance of the mean from it.
    guard : width of the guard band that the rule has.
    specific : largest probability that a reading which passes is outside the limit, from the reading alone.
    lacks : why there is no more; empty where nothing is missing.
    """

    reading: str
    unit: str
    limit: str
    rule: str
    count: int
    mean: float
    standard: float | None = None
    expanded: float | None = None
    ratio: float | None = None
    guard: float | None = None
    specific: float | None = None
    spread: float | None = None
    risks: Risks | None = None
    lacks: str = ""


@run_study("risk", example="wavewright study risk --of-recipe end_of_line")
def risk_of_limits(
    book: Logbook,
    which: Filter,
    *,
    reading: Annotated[str | None, StudyOption("Only this reading, `rail_noise.ripple`, with all figures.")] = None,
    judge: Annotated[str | None, StudyOption("Another decision rule: `guarded acceptance with guard 1 U`.")] = None,
    uncertainty: Annotated[
        float | None, StudyOption("With --reading: its standard uncertainty, SI unit, in place of the budgets'.", 0.0)
    ] = None,
    value: Annotated[
        float | None, StudyOption("With --reading: the specific risk of a unit that reads this, SI unit.")
    ] = None,
    consumer_risk: Annotated[
        float | None, StudyOption("With --reading: the guard band for this consumer's risk, such as 0.001.", 0.0, 0.5)
    ] = None,
) -> StudyResult:
    """Consumer's and producer's risk of every limit over a lot.

    The consumer's risk is the share of a lot that passes and is outside its limit, the producer's risk the share that
    is rejected and within (JCGM 106:2012, 9.5 †). The lot is taken as normal, each unit counts once, by its newest
    reading; its spread is that of the readings, less what differs from one measurement to the next. Every row has the
    ratio of the limit to U as well. Counts are left out: they have no uncertainty.

    Raises
    ------
    Misuse : no run has a limit; an unknown reading or rule.
    """
    alone = {"uncertainty": uncertainty, "value": value, "consumer_risk": consumer_risk}
    if reading is None and (given := [name for name, number in alone.items() if number is not None]):
        option = given[0].replace("_", "-")
        raise Misuse(f"`--{option}` without a reading", expected="`--reading NAME` beside it")
    rule = None if judge is None else DecisionRule.read(judge)
    units = _units(book, which)
    if reading is not None and reading not in units:
        do = did_you_mean(reading, units)
        raise Misuse(f"no run has a limit for a reading `{reading}`", expected=f"one of {', '.join(units)}", do=do)
    if not units:
        raise Misuse("no run that matches the filters has a limit", do="widen the filters")
    if reading is None:
        found = [limit_risk(name, one, rule=rule) for name, one in units.items()]
        return StudyResult({"limits": [asdict(one) for one in found]}, tuple(_table(found)))
    one = limit_risk(reading, units[reading], rule=rule, standard=uncertainty)
    more, lines = _more(one, value=value, consumer_risk=consumer_risk)
    return StudyResult({**asdict(one), **more}, (*_lines(one), *lines))


def limit_risk(
    name: str, units: _Units, *, rule: DecisionRule | None = None, standard: float | None = None
) -> LimitRisk:
    """What is known of one limit.

    Parameters
    ----------
    rule : in place of that of the newest run; standard : in place of what the budgets say.
    """
    used = rule or DecisionRule.read(units.rule)
    values, budgets = np.array(units.values), units.budgets
    limit = acceptable(units.limit, units.unit)
    mean = float(values.mean())
    known = LimitRisk(name, units.unit, units.limit, str(used), values.size, mean)
    if limit is None:
        return replace(known, lacks="this version does not read its limit")
    if standard is not None:
        scatter, expanded = standard**2, _normal(mean, standard, units.unit).expanded()
    elif budgets:
        standard, expanded = (_root_mean_square(way, budgets) for way in (_standard, Budget.expanded))
        scatter = float(np.mean([_own_scatter(budget) for budget in budgets]))
    if not standard:
        return replace(known, lacks="record only: no budget of a reading is complete")
    one = _normal(mean, standard, units.unit)
    band = guard_band(one, limit, used)
    known = replace(
        known,
        standard=standard,
        expanded=expanded,
        ratio=_ratio(limit, mean, expanded),
        guard=band.inner if used.guards_acceptance else -band.outer,
        specific=_specific(standard, limit, band.accepted),
    )
    if values.size < FEWEST:
        return replace(known, lacks=f"the spread of the lot is not known from {values.size} units")
    spread = float(values.var(ddof=1)) - scatter
    if spread <= 0:
        return replace(known, lacks="the readings differ by no more than the measurement itself does")
    density, over = normal_lot(mean, math.sqrt(spread), units.unit)
    risks = global_risks(density, standard, limit=limit, accepted=band.accepted, tolerated=band.tolerated, over=over)
    return replace(known, spread=math.sqrt(spread), risks=risks)


def _units(book: Logbook, which: Filter) -> dict[str, _Units]:
    """By name, every reading that has a limit and is not a number of things."""
    query = select(outcomes.c.id, outcomes.c.serial, outcomes.c.document).where(*which.conditions())
    found: dict[str, _Units] = {}
    with book.reading() as connection:
        for row in connection.execute(query.order_by(outcomes.c.started, outcomes.c.id)):
            for name, result in named_results(json.loads(row.document)):
                reading = result["reading"]
                if not result["limit"] or reading["value"] is None or reading["unit"] == COUNT:
                    continue
                units = found.setdefault(name, _Units(reading["unit"]))
                units.limit, units.rule = result["limit"], result.get("rule", str(SIMPLE))
                units.readings[row.serial or row.id] = reading
    return found


def _normal(value: float, standard: float, unit: str) -> Budget:
    return Budget(value, unit, (Contribution("measurement", standard),))


def _standard(budget: Budget) -> float:
    return budget.standard


def _root_mean_square(of: Callable[[Budget], float], budgets: Sequence[Budget]) -> float:
    return math.sqrt(float(np.mean([of(budget) ** 2 for budget in budgets])))


def _own_scatter(budget: Budget) -> float:
    """The variance that differs from one measurement to the next: what has an identity is the same in all of them."""
    return math.fsum(one.standard**2 for one in budget.contributions if not one.key)


def _ratio(limit: Interval, mean: float, expanded: float) -> float:
    if math.isfinite(limit.low) and math.isfinite(limit.high):
        return (limit.high - limit.low) / (2 * expanded)
    return min(abs(end - mean) for end in (limit.low, limit.high) if math.isfinite(end)) / expanded


def _specific(standard: float, limit: Interval, accepted: Interval | None) -> float | None:
    ends = [] if accepted is None else [end for end in (accepted.low, accepted.high) if math.isfinite(end)]
    wrong = [1 - probability_of_conformance(end, _normal(end, standard, limit.unit), limit) for end in ends]
    return max(wrong, default=None)


def _more(one: LimitRisk, *, value: float | None, consumer_risk: float | None) -> tuple[dict[str, Any], list[str]]:
    """What only one reading is asked for: a unit that reads so much, and a guard band for a risk."""
    plain: dict[str, Any] = {}
    lines: list[str] = []
    limit = acceptable(one.limit, one.unit)
    if one.standard is None or limit is None:
        return plain, lines
    if value is not None:
        alone = probability_of_conformance(value, _normal(value, one.standard, one.unit), limit)
        plain["value"], plain["conformance"] = value, alone
        lines.append(f"a unit that reads {_shown(value, one)}: probability of conformance {show_probability(alone)}")
        if one.spread is not None:
            within, estimate, known = conformance_in_lot(
                value, one.standard, limit=limit, mean=one.mean, spread=one.spread
            )
            plain |= {"conformance_in_lot": within, "estimate": estimate, "estimate_standard": known}
            lines.append(
                f"  with what is known of the lot: {show_probability(within)}, "
                f"its value then {_shown(estimate, one)}, u {show_expanded(known, one.unit)}"
            )
    if consumer_risk is not None and one.spread is not None:
        density, over = normal_lot(one.mean, one.spread, one.unit)
        width = width_for_risk(density, one.standard, limit=limit, over=over, consumer=consumer_risk)
        plain["guard_for_consumer_risk"] = width
        if width is None or (accepted := narrowed(limit, width)) is None:
            lines.append(f"no guard band has a consumer's risk of {_percent(consumer_risk)}")
        else:
            found = global_risks(density, one.standard, limit=limit, accepted=accepted, tolerated=accepted, over=over)
            plain["producer_risk_then"] = found.producer
            lines.append(
                f"for a consumer's risk of {_percent(consumer_risk)}: guard band {show_expanded(width, one.unit)}, "
                f"producer's risk {_percent(found.producer)}"
            )
    return plain, lines


def _lines(one: LimitRisk) -> Iterator[str]:
    yield f"{one.reading}: {one.count} units, mean {_shown(one.mean, one)}, limit {one.limit}, {one.rule}"
    if one.standard is not None and one.expanded is not None:
        yield (
            f"u {show_expanded(one.standard, one.unit)}, U (95 %) {show_expanded(one.expanded, one.unit)}; "
            f"limit to U {one.ratio:.2f}"
        )
    if one.guard:
        side = "inside" if one.guard > 0 else "outside"
        yield f"guard band {show_expanded(abs(one.guard), one.unit)} {side} the limit"
    if one.specific is not None:
        yield f"specific consumer's risk, at most: {_percent(one.specific)}"
    elif one.standard is not None:
        yield "no reading can pass: the guard bands leave nothing of the limit"
    if one.spread is not None and one.risks is not None:
        yield f"lot: s {show_expanded(one.spread, one.unit)}, {_percent(one.risks.conforming)} of it within the limit"
        yield f"consumer's risk {_percent(one.risks.consumer)}, producer's risk {_percent(one.risks.producer)}"
        if one.risks.undecided:
            yield f"inconclusive: {_percent(one.risks.undecided)}"
    if one.lacks:
        yield one.lacks


HEADINGS = ("reading", "units", "u", "limit to U", "consumer's", "producer's", "decision rule")


def _table(found: Sequence[LimitRisk]) -> Iterator[str]:
    """One row per limit, what is missing below."""
    rows = [HEADINGS, *(_row(one) for one in found)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADINGS))]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
    yield from (f"{one.reading}: {one.lacks}" for one in found if one.lacks)


def _row(one: LimitRisk) -> tuple[str, ...]:
    standard = NOTHING if one.standard is None else show_expanded(one.standard, one.unit)
    ratio = NOTHING if one.ratio is None else f"{one.ratio:.2f}"
    risks = [NOTHING] * 2 if one.risks is None else [_percent(one.risks.consumer), _percent(one.risks.producer)]
    return one.reading, str(one.count), standard, ratio, *risks, one.rule


def _shown(value: float, one: LimitRisk) -> str:
    last = None if not one.expanded else 10.0 ** last_place(one.expanded)
    return show_quantity(value, one.unit, uncertainty=last)


def _percent(share: float) -> str:
    return f"{100 * share:.2f} %" if share >= 1e-4 else f"{1e6 * share:.2g} ppm" if share >= 1e-9 else "0 %"
