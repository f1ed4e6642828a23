"""Ticks of an axis: at round numbers, all with the one prefix that the title of the axis says."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from wavewright.quantities import show_quantity
from wavewright.reporting.picture import Axis
from wavewright.unit_symbols import PREFIXES, takes_prefix

ROUND = (1.0, 2.0, 5.0, 10.0)
ABOUT = 0.85  # of the least step: a few ticks more are better than half of them
COUNTED = frozenset({"count", "", "number"})
DAY = 86_400
SECONDS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200)  # between two ticks
DAYS = (1, 2, 7, 14)
MONTHS = (1, 2, 3, 6, 12, 24, 60, 120)
MONTH = 30.44 * DAY
FIRST, LAST = (datetime(year, *day, tzinfo=UTC).timestamp() for year, day in ((1, (1, 1)), (9999, (12, 31))))


@dataclass(frozen=True, slots=True)
class Ticks:
    """Where an axis has ticks and what they say; a label of several lines has line breaks. `title` has the unit."""

    places: tuple[float, ...]
    labels: tuple[str, ...]
    title: str


def ticks_of(axis: Axis, *, most: int) -> Ticks:
    """The ticks of an axis, about `most` at most."""
    if axis.names:
        inside = [number for number in range(len(axis.names)) if axis.low <= number <= axis.high]
        return Ticks(tuple(map(float, inside)), tuple(axis.names[number] for number in inside), axis.title)
    if axis.is_clock:
        return _of_clock(axis, most)
    if axis.is_log and axis.low > 0:
        return _of_decades(axis, most)
    return _of_numbers(axis, most)


def _of_numbers(axis: Axis, most: int) -> Ticks:
    factor, unit = shown_unit(axis.unit, max(abs(axis.low), abs(axis.high)))
    low, high = axis.low / factor, axis.high / factor
    step = _step((high - low) / max(1, most))
    if axis.unit == "count":
        step = max(1.0, step)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    numbers = [number * step for number in range(first, min(last, first + 4 * most) + 1)]
    labels = tuple(f"{number:.{decimals}f}" if number else "0" for number in numbers)
    return Ticks(tuple(number * factor for number in numbers), labels, titled(axis.title, unit))


def titled(title: str, unit: str) -> str:
    """Title of an axis with the unit of its numbers."""
    return ", ".join(word for word in (title, unit) if word)


def shown_unit(unit: str, largest: float) -> tuple[float, str]:
    """By what numbers are divided so that the largest has one to three digits before the point, and the unit then."""
    if unit in COUNTED:
        return 1.0, ""
    if unit == "1":
        return (1e-6, "ppm") if 0 < largest < 1e-4 else (0.01, "%")
    if not takes_prefix(unit) or not (math.isfinite(largest) and largest > 0):
        return 1.0, unit
    exponent = 3 * math.floor((math.log10(largest) + 1e-9) / 3)
    prefixes = {power: prefix for prefix, power in PREFIXES.items()}
    exponent = max(min(exponent, max(prefixes)), min(prefixes))
    return 10.0**exponent, prefixes[exponent] + unit


def _step(least: float) -> float:
    if not (math.isfinite(least) and least > 0):
        return 1.0
    power = 10.0 ** math.floor(math.log10(least))
    return next(number * power for number in ROUND if number * power >= ABOUT * least)


def _of_decades(axis: Axis, most: int) -> Ticks:
    first, last = math.floor(math.log10(axis.low)), math.ceil(math.log10(axis.high))
    each = max(1, -(-(last - first) // most))
    within = (1, 2, 5) if last - first <= 2 else (1,)
    places = [
        number * 10.0**power for power in range(first, last + 1, each) for number in within
        if axis.low * (1 - 1e-9) <= number * 10.0**power <= axis.high * (1 + 1e-9)
    ]  # fmt: skip
    unit = "" if axis.unit in COUNTED else axis.unit
    return Ticks(tuple(places), tuple(show_quantity(place, unit or "number") for place in places), axis.title)


def _of_clock(axis: Axis, most: int) -> Ticks:
    begin, end = (datetime.fromtimestamp(min(max(instant, FIRST), LAST), UTC) for instant in (axis.low, axis.high))
    least = (axis.high - axis.low) / max(1, most)
    months = next((number for number in MONTHS if number * MONTH >= least), 12 * math.ceil(least / (12 * MONTH)))
    days = next((number for number in DAYS if number * DAY >= least), None)
    seconds = next((number for number in SECONDS if number >= least), None)
    if seconds is not None:
        instants = list(_every(begin, end, seconds))
    elif days is not None:
        instants = list(_every(begin, end, days * DAY))
    else:
        instants = list(_month_starts(begin, end, months))
    labels, day = [], ""
    for instant in instants:
        date = f"{instant:%Y-%m-%d}"
        if seconds is None:
            labels.append(date)
            continue
        clock = f"{instant:%H:%M:%S}" if seconds < 60 else f"{instant:%H:%M}"
        labels.append(f"{clock}\n{date}" if date != day else clock)
        day = date
    return Ticks(tuple(instant.timestamp() for instant in instants), tuple(labels), axis.title)


def _every(begin: datetime, end: datetime, seconds: int) -> Iterator[datetime]:
    first = -(-int(begin.timestamp()) // seconds) * seconds
    instant = datetime.fromtimestamp(first, UTC)
    while instant <= end:
        if instant >= begin:
            yield instant
        instant += timedelta(seconds=seconds)


def _month_starts(begin: datetime, end: datetime, months: int) -> Iterator[datetime]:
    number = begin.year * 12
    while True:
        year, month = divmod(number, 12)
        if year > 9999:
            return
        instant = datetime(year, month + 1, 1, tzinfo=UTC)
        if instant > end:
            return
        if instant >= begin:
            yield instant
        number += months
