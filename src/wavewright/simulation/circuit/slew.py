"""Voltages that follow a row of targets at limited speed: a supply's terminals, a rail after a soft start."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

Point = tuple[float, float]


def slewed(targets: Sequence[Point], *, up: float, down: float, first: float) -> list[Point]:
    """Corner points (s, V) of a voltage that heads for each target (moment, V) at `up` or `down` V/s.

    It is at `first` before the first target. The last point is where it comes to rest.
    """
    points: list[Point] = []
    level = first
    for index, (moment, target) in enumerate(targets):
        points.append((moment, level))
        speed = up if target > level else -down
        arrival = moment + (target - level) / speed
        until = targets[index + 1][0] if index + 1 < len(targets) else float("inf")
        if arrival <= until:
            if target != level:
                points.append((arrival, target))
            level = target
        else:
            level += speed * (until - moment)
    return points


def level_at(points: Sequence[Point], moment: float, before: float) -> float:
    """The level of a row of corner points at a moment; `before` holds until the first."""
    level, since = before, None
    for time, volts in points:
        if time > moment:
            if since is None:
                return before
            return level + (volts - level) * (moment - since) / (time - since)
        level, since = volts, time
    return level


def extremes_of(points: Sequence[Point], start: float, end: float, before: float) -> Point:
    """Lowest and highest level of a row of corner points between two moments."""
    levels = [volts for time, volts in points if start < time < end]
    levels += [level_at(points, start, before), level_at(points, end, before)]
    return min(levels), max(levels)


def crossings_of(points: Sequence[Point], threshold: float) -> list[tuple[float, bool]]:
    """Moments at which corner points cross a threshold, with True for rising."""
    found = []
    for (before, low), (after, high) in pairwise(points):
        if (low < threshold) != (high < threshold):
            share = (threshold - low) / (high - low)
            found.append((before + share * (after - before), high > low))
    return found
