"""Judged numbers as text: a number never lies on another side of its limit when shown than when it was judged."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from wavewright.analysis.elementary.exponentials import log10, power_of_ten
from wavewright.errors import Misuse
from wavewright.quantities import SMALLEST_IN_PERCENT, Interval, read_interval, read_quantity, show_quantity

if TYPE_CHECKING:
    from wavewright.analysis.reading import Reading

RECORD_ONLY = "record only"  # of an uncertainty: nobody has stated how accurate the set-up is
STATED = ("standard_uncertainty", "expanded_uncertainty", "coverage", "coverage_factor")
COUNT = "count"  # unit of a number of things, which has no uncertainty
CUT_OFF = 0.01  # of an uncertainty: what rounding may take from it
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
        known = power_of_ten(math.floor(log10(abs(distance))))
    return show_quantity(distance, symbol, uncertainty=known or None)


def show_reading(reading: Reading, interval: Interval | None) -> str:
    """A reading that has a number, with the digits that its uncertainty bears.

    Its last digit stands where the last one of the expanded uncertainty does (JCGM 100:2008, 7.2.6); where only the
    record is known, at the first digit of what that leaves.
    """
    assert reading.value is not None
    return show_judged(reading.value, reading.unit, interval, uncertainty=last_digit(reading))


def show_reach(reading: Reading) -> str:
    """What follows the reading: `± 12 mV`, or that only the record is known; nothing for a number of things."""
    if reading.value is None or reading.unit == COUNT:
        return ""
    expanded = expanded_uncertainty(reading)
    if expanded is None:
        return RECORD_ONLY
    return f"± {show_expanded(expanded, reading.unit, beside=reading.value)}" if expanded else ""


def last_digit(reading: Reading) -> float | None:
    """What the last digit of a reading that is shown stands for, or about that; None where nothing is known."""
    expanded = expanded_uncertainty(reading)
    return power_of_ten(last_place(expanded)) if expanded else reading.uncertainty


def expanded_uncertainty(reading: Reading) -> float | None:
    """Half the width of the interval that holds the true value with 95 %; None where the budget is not complete."""
    budget = reading.budget
    if reading.value is None or budget is None or not budget.is_complete or not math.isfinite(budget.standard):
        return None
    from wavewright.analysis.uncertainty.budget import COVERAGE

    return budget.expanded(COVERAGE)


def stated_uncertainty(reading: Reading) -> dict[str, float | None]:
    """What JCGM 100:2008, 7.2.3 asks for beside a value, for tables and JSON; None where only the record is known."""
    expanded = expanded_uncertainty(reading)
    if expanded is None or reading.budget is None:
        return dict.fromkeys(STATED)
    from wavewright.analysis.uncertainty.budget import COVERAGE

    standard = reading.budget.standard
    return dict(zip(STATED, (standard, expanded, COVERAGE, expanded / standard if standard else None), strict=True))


def show_expanded(expanded: float, unit: str, *, beside: float = math.inf) -> str:
    """An uncertainty with two significant digits, rounded up (JCGM 100:2008, 7.2.6): 10.47 mohm is 11 mohm.

    What common sense cuts off, as the same clause has it, is at most 1 % of it: 28.05 kHz is 28 kHz. That of a ratio is
    in percentage points, or in ppm where the ratio is.

    Parameters
    ----------
    beside : the value that it stands beside.

    Examples
    --------
    >>> show_expanded(10.47e-3, "ohm"), show_expanded(28.05e3, "Hz")
    ('11 mohm', '28 kHz')
    """
    if not expanded or not math.isfinite(expanded):
        return show_quantity(expanded, unit)
    step = power_of_ten(last_place(expanded))
    factor, symbol = (
        (1.0, unit) if unit != "1" else (1e6, "ppm") if abs(beside) < SMALLEST_IN_PERCENT else (100.0, "pp")
    )
    return show_quantity(factor * _rounded_up(expanded, step), symbol, resolution=factor * step)


def last_place(expanded: float) -> int:
    """Power of ten of the last of the two digits that an uncertainty is shown with."""
    place = math.floor(log10(abs(expanded))) - 1
    return place + 1 if _rounded_up(expanded, power_of_ten(place)) > 99.5 * power_of_ten(place) else place


def _rounded_up(expanded: float, step: float) -> float:
    steps = expanded / step
    nearest = round(steps)
    return (nearest if nearest >= steps * (1 - CUT_OFF) else math.ceil(steps)) * step


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
        return power_of_ten(math.floor(log10(abs(uncertainty))))
    return power_of_ten(math.floor(log10(abs(value))) - 3) if value else 1e-3
