"""A reading and its limit as a small bar: where the reading lies between the ends of what is acceptable."""

from __future__ import annotations

import math
from dataclasses import dataclass

from wavewright.errors import Misuse
from wavewright.quantities import read_interval
from wavewright.running.result import Result

WIDTH = 160.0  # of the bar in its own units; the page scales it
MARK = 6.0  # half the width of the reading's mark, which is never cut off


@dataclass(frozen=True, slots=True)
class MarginBar:
    """Places along a bar of width 160: the acceptable stretch, and the reading with its uncertainty.

    `low_end`, `high_end` : True where the stretch ends there, False where it is open.
    """

    left: float
    right: float
    low_end: bool
    high_end: bool
    reading: float
    spread: float


def margin_bar(result: Result) -> MarginBar | None:
    """The bar of a result; None without a number or without a limit.

    The acceptable stretch fills the middle half. An open side has the length of the other end's value, or of the
    distance to the reading if that is more; a reading far outside stands at the edge.
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

    return MarginBar(
        left=place(first) if math.isfinite(low) else 0.0,
        right=place(last) if math.isfinite(high) else WIDTH,
        low_end=math.isfinite(low),
        high_end=math.isfinite(high),
        reading=min(WIDTH - MARK, max(MARK, place(value))),
        spread=min(WIDTH, WIDTH * 0.5 * (result.reading.uncertainty or 0.0) / width),
    )
