"""One reading, one limit, one decision rule: pass, fail or neither, with the probability of conformance."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wavewright.judgement.decision_rules import DecisionRule
from wavewright.judgement.shown import COUNT, RECORD_ONLY, show_expanded, show_reading
from wavewright.judgement.verdict import Verdict
from wavewright.quantities import Interval, show_quantity

if TYPE_CHECKING:
    from wavewright.analysis.reading import Reading
    from wavewright.judgement.guard_bands import GuardBand
    from wavewright.judgement.limits import Limit

ALONE = f"its uncertainty is that of the {RECORD_ONLY}"
CONFORMANCE = "probability of conformance"


@dataclass(frozen=True, slots=True)
class Decision:
    """What a rule says before doubts are heard.

    Parameters
    ----------
    accepted : values that would pass; None where none can. tolerated : values that would not fail.
    reason : why it does not pass; empty where it does.
    conformance : probability that the true value is acceptable; None where nothing guarded it, or nothing is known.
    """

    verdict: Verdict
    accepted: Interval | None
    tolerated: Interval
    reason: str = ""
    conformance: float | None = None


def applied_rule(rule: DecisionRule, unit: str) -> DecisionRule:
    """The rule that decides readings in a unit: a number of things has no uncertainty, and so no guard band."""
    return DecisionRule() if unit == COUNT else rule


def decide(reading: Reading, limit: Limit, rule: DecisionRule) -> Decision:
    """Decide on one reading that has a number.

    Simple acceptance: the value decides, its uncertainty does not (JCGM 106:2012, 8.2 †). With a guard band a reading
    whose budget is not complete does not pass, and fails only where no guard band protects what is outside the limit.
    """
    assert reading.value is not None
    interval = limit.interval
    is_inside = limit.holds(reading.value)
    if not rule.is_guarded:
        return Decision(Verdict.PASS, interval, interval) if is_inside else _simple_fail(reading, limit)
    budget = reading.budget
    if budget is None or not budget.is_complete or not math.isfinite(budget.standard):
        if not is_inside and not rule.guards_rejection:
            return _simple_fail(reading, limit)
        reason = f"{against(reading, limit)}, but {ALONE}, so that `{rule.name}` cannot decide"
        return Decision(Verdict.INCONCLUSIVE, None, interval, reason)
    from wavewright.judgement.guard_bands import guard_band, probability_of_conformance

    band = guard_band(budget, interval, rule)
    conformance = probability_of_conformance(reading.value, budget, interval)
    verdict = _verdict(reading.value, band)
    reason = "" if verdict is Verdict.PASS else _reason(reading, limit, rule, band, conformance)
    return Decision(verdict, band.accepted, band.tolerated, reason, conformance)


def show_probability(probability: float) -> str:
    """A probability in per cent, with as many digits as distinguish it from 0 and from 1.

    Examples
    --------
    >>> show_probability(0.97724987), show_probability(0.9999999)
    ('97.7 %', 'above 99.99 %')
    """
    percent = 100 * probability
    if percent > 99.99:
        return "above 99.99 %"
    if percent < 0.01:
        return "below 0.01 %"
    return f"{percent:.2f} %" if min(percent, 100 - percent) < 1 else f"{percent:.1f} %"


def against(reading: Reading, limit: Limit) -> str:
    """How a reading lies to its limit, in words."""
    assert reading.value is not None
    inside = limit.holds(reading.value)
    side = "is within" if inside else "is below" if reading.value < limit.interval.low else "exceeds"
    when = "" if reading.at is None else f", at {show_quantity(reading.at, 's')}"
    return f"{show_reading(reading, limit.interval)} {side} the limit ({limit}){when}"


def _simple_fail(reading: Reading, limit: Limit) -> Decision:
    return Decision(Verdict.FAIL, limit.interval, limit.interval, against(reading, limit))


def _verdict(value: float, band: GuardBand) -> Verdict:
    if band.accepted is not None and value in band.accepted:
        return Verdict.PASS
    if value not in band.tolerated:
        return Verdict.FAIL
    return Verdict.INCONCLUSIVE  # between the bands, or where none could pass


def _reason(reading: Reading, limit: Limit, rule: DecisionRule, band: GuardBand, conformance: float) -> str:
    assert reading.value is not None
    words = against(reading, limit)
    is_inside = limit.holds(reading.value)
    if is_inside and band.accepted is None:
        words += f", but the guard bands of `{rule}` leave no value that could pass"
    elif is_inside or reading.value in band.tolerated:
        width = show_expanded(band.inner if is_inside else band.outer, limit.unit)
        words += f", but by less than the guard band of {width}"
    return f"{words}; {CONFORMANCE} {show_probability(conformance)}"
