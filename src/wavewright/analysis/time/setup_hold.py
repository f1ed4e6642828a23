"""Setup and hold time of data against a clock: how long data are stable before and after the clock's edges.

The channels are data, clock, in this order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.jitter.jitter import Edge
from wavewright.analysis.levels.extreme_lift import NEAR, SCATTER_OF_LARGEST, lift_of_largest
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.alignment import require_shared_time
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.crossing_resolution import (
    instant_resolution,
    instant_scatter,
    places_at,
    spread_of_instant,
)
from wavewright.analysis.time.edges import MIDDLE, edges, noise_doubts, too_few
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

SOURCE = "common practice, no source: as every data sheet of a register states them"


@metric("setup_time", reads=Reads.EDGES, unit="s", source=SOURCE, channels=2, reads_levels=True)
def setup_time(
    data: Survey,
    clock: Survey,
    *,
    slope: Edge = "rising",
    data_level: ReferenceLevel = MIDDLE,
    clock_level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Setup time: from the last change of the data to the clock's edge; the shortest of the record.

    Drawing
    -------
      data   ───╲╱──────────
             ───╱╲──────────
                 ├────┤ setup time
                      ┌─────
      clock  ─────────┘

    Parameters
    ----------
    slope : of the clock edge that takes the data over.
    data_level, clock_level : at which both are timed.

    Returns
    -------
    Reading in s: the shortest, since that is what a requirement is about, with the longest, count and every occurrence.
    """
    instants, ticks = _instants(data, clock, slope, data_level, clock_level)
    # the last change before each edge; changes before which no other edge has come count
    last = np.searchsorted(instants, ticks, side="right") - 1
    first_since = np.concatenate([[-1], last[:-1]])
    is_new = last > first_since
    values = ticks[is_new] - instants[last[is_new]]
    if not values.size:
        raise _no_change(data, clock, "before")
    return _shortest(data, clock, values, ticks[is_new], _timing(data, clock, data_level, clock_level, ticks))


@metric("hold_time", reads=Reads.EDGES, unit="s", source=SOURCE, channels=2, reads_levels=True)
def hold_time(
    data: Survey,
    clock: Survey,
    *,
    slope: Edge = "rising",
    data_level: ReferenceLevel = MIDDLE,
    clock_level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Hold time: from the clock's edge to the next change of the data; the shortest of the record.

    Drawing
    -------
      data   ───────────╲╱──
             ───────────╱╲──
                  ├─────┤ hold time
                  ┌─────────
      clock  ─────┘

    Options and result as for `setup_time`.
    """
    instants, ticks = _instants(data, clock, slope, data_level, clock_level)
    following = np.searchsorted(instants, ticks, side="left")
    next_tick = np.concatenate([following[1:], [instants.size]])
    is_new = following < next_tick
    values = instants[following[is_new]] - ticks[is_new]
    if not values.size:
        raise _no_change(data, clock, "after")
    return _shortest(data, clock, values, ticks[is_new], _timing(data, clock, data_level, clock_level, ticks))


def _instants(
    data: Survey, clock: Survey, slope: Edge, data_level: ReferenceLevel, clock_level: ReferenceLevel
) -> tuple[Floats, Floats]:
    """Changes of the data and edges of the clock, s after the first sample of the data."""
    require_shared_time(data, clock)
    changes, ticks = edges(data, data_level), edges(clock, clock_level)
    if not changes.either_places.size:
        raise too_few(data, changes, data_level, expected="at least one change of the data")
    chosen = ticks.rising_since if slope == "rising" else ticks.falling_since
    if not chosen.size:
        raise too_few(clock, ticks, clock_level, expected=f"at least one {slope} edge of the clock")
    return changes.either_since, (clock.wave.start - data.wave.start) + chosen


def _no_change(data: Survey, clock: Survey, where: str) -> NotMeasurable:
    return NotMeasurable(
        f"`{data.name}` does not change {where} an edge of `{clock.name}`",
        expected="at least one change",
        do="lengthen `span`, or check the channels' order: data, clock",
    )


@dataclass(frozen=True, slots=True)
class _Timing:
    """How well a change and an edge are timed together, s.

    Parameters
    ----------
    resolution : half-width by the samples. noise : standard deviation, of each by itself. shared : standard, of all
        together, by the state levels that the levels are taken from.
    """

    resolution: float
    noise: float
    shared: float


def _timing(
    data: Survey, clock: Survey, data_level: ReferenceLevel, clock_level: ReferenceLevel, ticks: Floats
) -> _Timing:
    changes, places = edges(data, data_level).either_places, places_at(clock, ticks, origin=data.wave.start)
    ends = [(data, changes, data_level), (clock, places, clock_level)]
    return _Timing(
        math.hypot(*(instant_resolution(one, at) for one, at, _ in ends)),
        math.hypot(*(spread_of_instant(one, at) for one, at, _ in ends)),
        math.hypot(*(instant_scatter(one, at, level_is_found=level.is_ratio)[1] for one, at, level in ends)),
    )


def _doubts(data: Survey, clock: Survey) -> tuple[Doubt, ...]:
    return tuple(dict.fromkeys(noise_doubts(data) + noise_doubts(clock)))


def _shortest(data: Survey, clock: Survey, values: Floats, ticks: Floats, timing: _Timing) -> Reading:
    """The shortest: of many that are equal, noise makes the one that is read too short."""
    near = np.count_nonzero(values <= values.min() + NEAR * timing.noise)
    lifted = timing.noise * math.hypot(lift_of_largest(float(near)), SCATTER_OF_LARGEST if near > 1 else 1.0)
    return Reading.of_worst(
        values,
        times=data.wave.start + ticks,
        unit="s",
        largest=False,
        doubts=_doubts(data, clock),
        uncertainty=math.hypot(timing.resolution / math.sqrt(3), timing.shared, lifted),
    )
