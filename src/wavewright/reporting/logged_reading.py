"""A reading out of the logbook in words."""

from __future__ import annotations

import math

from wavewright.judgement.shown import show_judged
from wavewright.logbook.queries import Point
from wavewright.quantities import Interval
from wavewright.running.readings_table import NOTHING


def shown_point(point: Point | None, unit: str) -> str:
    """The value, on the side of its limit that it was judged on; a dash where there is no number."""
    if point is None or point.value is None:
        return NOTHING
    limit = None
    if point.low is not None or point.high is not None:
        low = -math.inf if point.low is None else point.low
        limit = Interval(low, math.inf if point.high is None else point.high, unit)
    return show_judged(point.value, unit, limit, uncertainty=point.uncertainty)
