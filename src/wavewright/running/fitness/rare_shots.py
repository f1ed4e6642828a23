"""Whether a number of shots can show what is rare, and whether a mask lies where the record goes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import SupportsFloat, cast

import numpy as np

from wavewright.instruments.setups import TimebaseSetup
from wavewright.quantities import Interval, show_quantity
from wavewright.recipe.density import Persistence
from wavewright.recipe.measurement import Measurement
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.limited_reading import ChannelInUse
from wavewright.running.fitness.rules import FitnessRule

LIKELY = 0.95
EVEN = 0.5
RATES = 400  # that are tried
RULE_OF_THREE = 3.0


def persistence_fitness(
    measurement: Measurement, channel: ChannelInUse | None, timebase: TimebaseSetup | None
) -> Iterator[tuple[str, FitnessFinding]]:
    """What is found about the limits of `persistence:`, each with the name of its reading.

    Parameters
    ----------
    channel : that is counted; None where it is derived.
    timebase : of the record; None where the run finds it.
    """
    wanted = measurement.persistence
    if wanted is None:
        return
    for found in _rare(wanted, measurement.shots):
        yield "rare_shots", found
    if wanted.violations is not None and channel is not None:
        for found in _mask(wanted, channel, timebase):
            yield "violations", found


def _rare(wanted: Persistence, shots: int) -> Iterator[FitnessFinding]:
    limit = wanted.rare_shots
    if limit is None or wanted.rare is None or not math.isfinite(limit.interval.high):
        return
    allowed = math.floor(limit.interval.high)
    seen = chance_to_see(shots, wanted.rare, allowed=allowed)
    if seen >= LIKELY:
        return
    what = (
        f"in {shots} shots something rarer than 1 in {wanted.rare} is seen in more than {allowed} of them with at most "
        f"{100 * seen:.0f} %, however often it happens; none in {shots} leaves up to one in "
        f"{shots / RULE_OF_THREE:.3g} (95 %)"
    )
    if (enough := _enough(wanted.rare, allowed)) is not None:
        what += f"; from {enough} shots on it is {100 * LIKELY:.0f} %"
    yield FitnessFinding(FitnessRule.RARE_EVENTS, what, seen, cannot_decide=seen < EVEN)


def chance_to_see(shots: int, rare: int, *, allowed: int = 0) -> float:
    """The probability that one path is counted as rare in more than `allowed` shots, at the rate that is best for it.

    A path is rare as long as fewer than 1 in `rare` shots took it: more than `allowed`, fewer than shots / rare.
    """
    from scipy.special import bdtr

    most = math.ceil(shots / rare) - 1
    if most <= allowed:
        return 0.0
    rates = (allowed + (most - allowed + 1) * (np.arange(RATES) + 0.5) / RATES) / shots
    return float((bdtr(most, shots, rates) - bdtr(allowed, shots, rates)).max())


def _enough(rare: int, allowed: int) -> int | None:
    """The fewest shots that are likely to show it, to a tenth of `rare`; None beyond a hundred times `rare`."""
    step = max(rare // 10, 1)
    low, high = rare, 100 * rare
    if chance_to_see(high, rare, allowed=allowed) < LIKELY:
        return None
    while high - low > step:
        middle = (low + high) // 2
        low, high = (low, middle) if chance_to_see(middle, rare, allowed=allowed) >= LIKELY else (middle, high)
    return high


def _mask(wanted: Persistence, channel: ChannelInUse, timebase: TimebaseSetup | None) -> Iterator[FitnessFinding]:
    """A mask that no trace can touch: all of its areas lie beyond the range or beyond the record."""
    mask, seen = wanted.mask, channel.seen
    if mask is None or not mask.polygons or seen is None:
        return
    window = None if timebase is None else _window(timebase)
    outside = [area for area in mask.polygons if _misses(area, seen, window)]
    if not outside:
        return
    shown = f"from {show_quantity(seen.low, 'V')} to {show_quantity(seen.high, 'V')}"
    if window is not None:
        shown += f", {show_quantity(window.low, 's')} to {show_quantity(window.high, 's')}"
    count = f"{len(outside)} of {len(mask.polygons)} areas of the mask" if len(mask.polygons) > 1 else "the mask"
    what = f"{count} outside of what the record shows, {shown}"
    is_all = len(outside) == len(mask.polygons)
    yield FitnessFinding(FitnessRule.REACH, what, float(len(outside)), "count", cannot_decide=is_all)


def _window(timebase: TimebaseSetup) -> Interval:
    return Interval(-timebase.before_trigger, timebase.span - timebase.before_trigger, "s")


def _misses(area: tuple[tuple[object, object], ...], seen: Interval, window: Interval | None) -> bool:
    times, levels = ([float(cast("SupportsFloat", point[axis])) for point in area] for axis in (0, 1))
    beyond = max(levels) <= seen.low or min(levels) >= seen.high
    return beyond or (window is not None and (max(times) <= window.low or min(times) >= window.high))
