"""Guard bands: between which ends a reading passes and does not fail, and how probably its true value is acceptable.

Probability of conformance: JCGM 106:2012, clause 7 †. Guard bands: JCGM 106:2012, 8.3 †; ILAC-G8:09/2019 †.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from wavewright.quantities import Interval

if TYPE_CHECKING:
    from wavewright.analysis.uncertainty.budget import Budget
    from wavewright.judgement.decision_rules import DecisionRule

FARTHEST = 1e6  # standard uncertainties: heavier tails than any that a budget has
FINEST = 1e-12  # standard uncertainties: how well the end of a guard band is found


@dataclass(frozen=True, slots=True)
class GuardBand:
    """What a decision rule makes of one limit for one reading.

    Parameters
    ----------
    accepted : values that pass; None where none can, because the guard bands of both ends overlap.
    tolerated : values that do not fail.
    inner, outer : width of the guard band inside the limit and of that outside it, in the limit's unit.
    """

    accepted: Interval | None
    tolerated: Interval
    inner: float
    outer: float


def probability_of_conformance(value: float, budget: Budget, limit: Interval) -> float:
    """Probability that the true value is within the limit (JCGM 106:2012, 7.2 †), from the reading and its budget."""
    return _between(budget, limit.low - value, limit.high - value)


def guard_band(budget: Budget, limit: Interval, rule: DecisionRule) -> GuardBand:
    """The ends that a rule sets around one limit.

    With `guard` they are moved by that factor of U. With `risk` they are the readings at which the probability to be
    wrong is the one allowed: with two ends both tails count, so that the band is wider where U fills the tolerance.
    """
    if rule.guard is not None:
        inner = outer = rule.guard * budget.expanded(rule.coverage)
    else:
        risk = rule.risk or 0.0
        inner = _inner_width(budget, limit, risk) if rule.guards_acceptance else 0.0
        outer = _outer_width(budget, limit, risk) if rule.guards_rejection else 0.0
    inner, outer = inner if rule.guards_acceptance else 0.0, outer if rule.guards_rejection else 0.0
    tolerated = _moved(limit, outer) or limit
    if not rule.guards_acceptance:
        return GuardBand(tolerated, tolerated, inner, outer)
    accepted = _moved(limit, -inner) if math.isfinite(inner) else None
    return GuardBand(accepted, tolerated if rule.guards_rejection else accepted or limit, inner, outer)


def _between(budget: Budget, low: float, high: float) -> float:
    """Probability that the true value is between these two distances from the reading, negative below it."""
    if not budget.standard:  # nothing is uncertain, and the ends belong to the limit
        return float(low <= 0 <= high)
    around = replace(budget, value=0.0)  # a distance that is small beside the value keeps its digits
    inside = around.probability_below(high) - around.probability_below(low)
    return min(1.0, max(0.0, inside))


def _moved(limit: Interval, outwards: float) -> Interval | None:
    low, high = limit.low - outwards, limit.high + outwards
    return Interval(low, high, limit.unit) if low <= high else None


def _inner_width(budget: Budget, limit: Interval, risk: float) -> float:
    """How far inside an end the probability to be outside is `risk`; infinite where it is more in the middle too."""

    def conformance(inside: float) -> float:
        return _between(budget, -inside, limit.high - limit.low - inside)

    return _crossing(conformance, 1 - risk, budget, at_most=(limit.high - limit.low) / 2)


def _outer_width(budget: Budget, limit: Interval, risk: float) -> float:
    """How far outside an end the probability to be inside is `risk`; 0 where it is less at the end itself."""

    def rejection(outside: float) -> float:
        return 1 - _between(budget, outside, outside + limit.high - limit.low)

    return _crossing(rejection, 1 - risk, budget, at_most=math.inf)


def _crossing(probability: Callable[[float], float], wanted: float, budget: Budget, *, at_most: float) -> float:
    """The least distance from which on a probability that rises with it is `wanted`; infinite where it never is."""
    from scipy.optimize import brentq  # here, because importing it takes longer than judging

    if not budget.standard or probability(0.0) >= wanted:
        return 0.0
    if math.isfinite(at_most) and probability(at_most) < wanted:
        return math.inf
    far = budget.standard
    while far < at_most and probability(far) < wanted:
        if far > FARTHEST * budget.standard:
            return math.inf
        far *= 2
    far = min(far, at_most)
    return float(brentq(lambda distance: probability(distance) - wanted, 0.0, far, xtol=FINEST * budget.standard))
