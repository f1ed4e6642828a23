"""A reading and its limit on one axis: the interval of the reading between the ends of what is acceptable."""

from __future__ import annotations

import math
from dataclasses import dataclass

from wavewright.errors import Misuse
from wavewright.judgement.decision_rules import DecisionRule
from wavewright.judgement.guard_bands import guard_band
from wavewright.judgement.shown import expanded_uncertainty
from wavewright.quantities import Interval, read_interval
from wavewright.running.result import Result

WIDTH = 160.0  # of the bar in its own units; the page scales it
MARK = 6.0  # half the width of the reading's mark, which is never cut off


@dataclass(frozen=True, slots=True)
class MarginBar:
    """Places along a bar of width 160: the acceptable stretch, and the reading with its interval.

    Parameters
    ----------
    low_end, high_end : True where the stretch ends there, False where it is open.
    first, last : ends of the interval that holds the true value with 95 %, cut off at the ends of the bar; of the
        standard uncertainty from the record alone where the budget is not complete.
    is_known : whether the interval is that of a complete budget.
    guard_left, guard_right : between which a reading passes, where a guard band narrows the stretch; both 0 where none
        can, None without a guard band inside the limit.
    """

    left: float
    right: float
    low_end: bool
    high_end: bool
    reading: float
    first: float
    last: float
    is_known: bool
    guard_left: float | None = None
    guard_right: float | None = None

    @property
    def has_interval(self) -> bool:
        """Whether it is wide enough to be seen."""
        return self.last - self.first > 1


def margin_bar(result: Result) -> MarginBar | None:
    """The bar of a result; None without a number or without a limit.

    The acceptable stretch fills the middle half. An open side has the length of the other end's value, or of the
    distance to the reading if that is more; a reading far outside is at the edge.
    """
    value = result.reading.value
    if value is None or not result.limit:
        return None
    try:
        interval = read_interval(result.limit, unit=result.reading.unit)
    except Misuse:
        return None
    low, high = interval.low, interval.high
    first = low if math.isfinite(low) else high - max(abs(high), abs(high - value))
    last = high if math.isfinite(high) else low + max(abs(low), abs(value - low))
    width = (last - first) or max(abs(last), 1.0) * 1e-3

    def place(where: float) -> float:
        return min(WIDTH, max(0.0, WIDTH * (0.25 + 0.5 * (where - first) / width)))

    expanded = expanded_uncertainty(result.reading)
    reach = (result.reading.uncertainty or 0.0) if expanded is None else expanded
    guarded = _accepted(result, interval)
    return MarginBar(
        left=place(first) if math.isfinite(low) else 0.0,
        right=place(last) if math.isfinite(high) else WIDTH,
        low_end=math.isfinite(low),
        high_end=math.isfinite(high),
        reading=min(WIDTH - MARK, max(MARK, place(value))),
        first=place(value - reach),
        last=place(value + reach),
        is_known=expanded is not None,
        guard_left=None if guarded is None else place(guarded[0]),
        guard_right=None if guarded is None else place(guarded[1]),
    )


def _accepted(result: Result, limit: Interval) -> tuple[float, float] | None:
    """Between which values a reading passes, where that is narrower than the limit."""
    rule, budget = DecisionRule.read(result.rule), result.reading.budget
    if not rule.guards_acceptance or budget is None or not budget.is_complete:
        return None
    accepted = guard_band(budget, limit, rule).accepted
    return (-math.inf, -math.inf) if accepted is None else (accepted.low, accepted.high)
