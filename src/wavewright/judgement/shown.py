"""Judged numbers as text: a number never lies on another side of its limit when shown than when it was judged."""

from __future__ import annotations

import math

from wavewright.errors import Misuse
from wavewright.quantities import Interval, read_interval, read_quantity, show_quantity

_FINER = 10  # times that a digit is added before the number is shown as it is


def show_judged(value: float, unit: str, interval: Interval | None, *, uncertainty: float | None = None) -> str:
    """A reading as `show_quantity` shows it, with more digits where rounding would carry it across an end of its limit.

    Parameters
    ----------
    value : in `unit`.
    interval : what is acceptable; None where there is no limit.
    uncertainty : standard uncertainty of the value, in `unit`; it decides how many digits are shown at first.

    Examples
    --------
    >>> show_judged(37.6e-3, "V", Interval(38e-3, 42e-3, "V"), uncertainty=1e-3)
    '37.6 mV'
    """
    shown = show_quantity(value, unit, uncertainty=uncertainty)
    if interval is None or not math.isfinite(value):
        return shown
    wanted, step = _side(value, interval), _first_step(value, uncertainty)
    for _ in range(_FINER):
        try:
            read = read_quantity(shown, unit=unit).value
        except Misuse:  # a unit that is not written in recipes
            return shown
        if _side(read, interval) == wanted:
            return shown
        step /= 10
        shown = show_quantity(value, unit, resolution=step)
    return shown


def show_margin(margin: float, unit: str, *, uncertainty: float | None = None) -> str:
    """The distance to the nearer end of a limit, negative outside; of a ratio in percentage points.

    It has the decimals of its reading, and more where it would be shown as 0 without being 0.

    Examples
    --------
    >>> show_margin(-0.05636, "1", uncertainty=0.0004)
    '-5.64 pp'
    """
    if not math.isfinite(margin):
        return show_quantity(margin, unit)
    factor, symbol = (100.0, "pp") if unit == "1" else (1.0, unit)
    distance, known = factor * margin, factor * (uncertainty or 0.0)
    if known and distance and abs(distance) < known:
        known = 10.0 ** math.floor(math.log10(abs(distance)))
    return show_quantity(distance, symbol, uncertainty=known or None)


def acceptable(limit: str, unit: str) -> Interval | None:
    """The interval that the words of a limit mean; None where there is no limit, or it is not one in that unit."""
    if not limit:
        return None
    try:
        return read_interval(limit, unit=unit)
    except Misuse:
        return None


def _side(value: float, interval: Interval) -> int:
    """-1 below, 0 inside, 1 above."""
    return -1 if value < interval.low else 1 if value > interval.high else 0


def _first_step(value: float, uncertainty: float | None) -> float:
    """About the last digit that is shown without further care."""
    if uncertainty:
        return 10.0 ** math.floor(math.log10(abs(uncertainty)))
    return 10.0 ** (math.floor(math.log10(abs(value))) - 3) if value else 1e-3
