"""Time between two events: a crossing that starts a stopwatch, and another that stops it."""

from __future__ import annotations

from math import hypot
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.parameters import Condition, Slope
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.alignment import require_shared_time
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import COUNT, NOT_NEGATIVE
from wavewright.analysis.time.crossing_resolution import (
    level_effect,
    noise_of_instant,
    places_at,
    resolution_between,
)
from wavewright.analysis.time.edges import edges, told_noise
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats


@metric(
    "time_between",
    reads=Reads.EDGES,
    unit="s",
    source="math: difference of two reference level instants",
    channels=(1, 2),
    reads_levels=True,
)
def time_between(
    first: Survey,
    second: Survey | None = None,
    *,
    from_: Condition,
    to: Condition,
    ordinal: Annotated[int, COUNT] = 1,
    holdoff: Annotated[float, "s", NOT_NEGATIVE] = 0.0,
) -> Reading:
    """Time between: from one crossing to a later one, on the same channel or on a second.

    Drawing
    -------
      ──╲                ╱──  2.31 V
         ╲┈┈┈┈┈┈┈┈┈┈┈┈┈┈╱
      0.99 V ╲_________╱
             ├─────────┤      from falling 0.99 V to rising 2.31 V

    Works like a stopwatch: a crossing that fulfils `from` starts it, unless it is running; the `ordinal`-th crossing
    later than `holdoff` after that which fulfils `to` stops it. A start that is never stopped is left out.

    Raises
    ------
    NotMeasurable : no pair of such crossings.
    """
    other = first if second is None else second
    require_shared_time(first, other)
    origin = first.wave.start
    starts, stops = (instants(survey, what, origin=origin) for survey, what in ((first, from_), (other, to)))
    begun, ended = _stopwatch(starts, stops, ordinal, holdoff)
    if not begun.size:
        raise NotMeasurable(
            f"{starts.size} crossings `{from_}` of `{first.name}` and {stops.size} crossings `{to}` of `{other.name}`, "
            f"none of the first followed by {f'{ordinal} of' if ordinal > 1 else 'one of'} the second",
            expected="at least one such pair",
            do="check the levels and slopes, or lengthen the record",
        )
    places = places_at(first, begun, origin=origin), places_at(other, ended, origin=origin)
    resolution = resolution_between((first, places[0]), (other, places[1]))
    noisy = [told_noise(survey, edges(survey, what.level)) for survey, what in ((first, from_), (other, to))]
    return Reading.of_occurrences(
        ended - begun,
        times=origin + begun,
        unit="s",
        doubts=noisy[0] or noisy[1],
        resolution=resolution,
        shared=level_error_between((first, from_, places[0]), (other, to, places[1])),
        single=hypot(noise_of_instant(first, places[0]), noise_of_instant(other, places[1])),
    )


End = tuple[Survey, Condition, Floats]


def level_error_between(start: End, stop: End) -> float:
    """Standard uncertainty that errors of the state levels give to all times between two kinds of crossings, s.

    On one channel they are the same errors for both; on two they are independent.
    """
    effects = [
        level_effect(survey, what.level, places, rising=what.slope is not Slope.FALLING)
        for survey, what, places in (start, stop)
    ]
    if start[0] is stop[0]:
        return (effects[1] - effects[0]).uncertainty(start[0])
    return hypot(*(effect.uncertainty(survey) for effect, (survey, _, _) in zip(effects, (start, stop), strict=True)))


def instants(survey: Survey, condition: Condition, *, origin: float) -> Floats:
    """Times at which a condition is fulfilled, s after `origin` on the time axis, ascending."""
    found = edges(survey, condition.level)
    table = {Slope.RISING: found.rising_since, Slope.FALLING: found.falling_since, Slope.EITHER: found.either_since}
    return (survey.wave.start - origin) + table[condition.slope]


def _stopwatch(starts: Floats, stops: Floats, ordinal: int, holdoff: float) -> tuple[Floats, Floats]:
    """Pairs of a start and a stop, none of which begins while another is running."""
    stop_of = np.searchsorted(stops, starts + holdoff, side="right") + (ordinal - 1)
    stopped = stop_of < stops.size
    # a start at the very instant of the stop before starts the next run
    next_start = np.searchsorted(starts, stops[stop_of[stopped]], side="left")
    begun, index, whole = [], 0, int(stopped.sum())  # later starts have later stops: those without come last
    while index < whole:
        begun.append(index)
        index = max(int(next_start[index]), index + 1)
    return starts[begun], stops[stop_of[begun]]
