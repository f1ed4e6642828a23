"""Delay between two channels, from edge to edge."""

from __future__ import annotations

from enum import StrEnum
from math import hypot

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.parameters import Condition, ReferenceLevel, Slope
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.alignment import require_shared_time
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.crossing_resolution import noise_of_instant, places_at, resolution_between
from wavewright.analysis.time.edges import MIDDLE
from wavewright.analysis.time.time_between import instants, level_error_between
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats


class Pairing(StrEnum):
    """Which edge of the second channel belongs to an edge of the first."""

    NEAREST = "nearest"
    NEXT = "next"


@metric(
    "delay",
    reads=Reads.EDGES,
    unit="s",
    source="math: difference of reference level instants",
    channels=2,
    reads_levels=True,
)
def delay(
    first: Survey,
    second: Survey,
    *,
    slope: Slope = Slope.RISING,
    second_slope: Slope | None = None,
    level: ReferenceLevel = MIDDLE,
    second_level: ReferenceLevel | None = None,
    pairing: Pairing = Pairing.NEAREST,
) -> Reading:
    """Delay: from an edge of the first channel to the edge of the second that belongs to it, mean of all pairs.

    Drawing
    -------
      first   ──┐     ┌────┐     ┌──
                └─────┘    └─────┘
      second  ───┐      ┌────┐
                 └──────┘    └──────
                      ├─┤ delay (> 0: the second comes later)

    The nearest edge belongs to it, before or after, if that edge has no nearer one itself; with `pairing: next` the
    first edge at the same time or later. Both channels are on one time axis.

    Raises
    ------
    NotMeasurable : one of the channels has no such edge, or none belongs to another.
    """
    require_shared_time(first, second)
    conditions = Condition(slope, level), Condition(second_slope or slope, second_level or level)
    origin = first.wave.start
    one, other = (
        instants(survey, what, origin=origin) for survey, what in zip((first, second), conditions, strict=True)
    )
    begins, ends = _next(one, other) if pairing is Pairing.NEXT else _nearest(one, other)
    if not begins.size:
        raise NotMeasurable(
            f"{one.size} crossings `{conditions[0]}` of `{first.name}`, {other.size} crossings `{conditions[1]}` of "
            f"`{second.name}`, and no pair among them",
            expected="at least one of each that belong together",
            do="check levels and slopes, or lengthen the record",
        )
    places = places_at(first, begins, origin=origin), places_at(second, ends, origin=origin)
    unpaired = begins.size < min(one.size, other.size) - 1
    return Reading.of_occurrences(
        ends - begins,
        times=origin + begins,
        unit="s",
        doubts=(Doubt.NOISY,) if unpaired else (),
        resolution=resolution_between((first, places[0]), (second, places[1])),
        shared=level_error_between((first, conditions[0], places[0]), (second, conditions[1], places[1])),
        single=hypot(noise_of_instant(first, places[0]), noise_of_instant(second, places[1])),
    )


def _next(one: Floats, other: Floats) -> tuple[Floats, Floats]:
    follower = np.searchsorted(other, one, side="left")
    has_one = follower < other.size
    return one[has_one], other[follower[has_one]]


def _nearest(one: Floats, other: Floats) -> tuple[Floats, Floats]:
    """Pairs that are each other's nearest."""
    if not (one.size and other.size):
        return np.empty(0), np.empty(0)
    there, back = _nearest_index(one, other), _nearest_index(other, one)
    mutual = back[there] == np.arange(one.size)
    return one[mutual], other[there[mutual]]


def _nearest_index(times: Floats, among: Floats) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    right = np.clip(np.searchsorted(among, times), 1, max(among.size - 1, 1))
    left = right - 1
    right = np.minimum(right, among.size - 1)
    return np.where(times - among[left] <= among[right] - times, left, right)
