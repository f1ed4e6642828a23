"""Turning a number of a recipe by steps: sensible ones for what it is, in the spelling that it has."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from wavewright.errors import Misuse
from wavewright.quantities import read_quantity

QUANTITY = re.compile(
    r"(?<![\w$])(?<!\d\.)(?P<number>[-+\N{MINUS SIGN}]?(?:\d+(?:\.(?!\.)\d*)?|\.\d+)(?:[eE][-+]?\d+)?)"
    r"(?P<blank>[ ]?)(?P<unit>[A-Za-zµμΩ%][A-Za-z0-9µμΩ%^/]*|)(?!\w|\.(?!\.))"
)
SERIES = (Decimal(1), Decimal(2), Decimal(5))  # ranges, spans and rates go by these and their tenfolds
# common practice, no source: the rates that serial lines are set to
BIT_RATES = (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)
SHARE = Decimal("0.02")  # of a value that nothing else gives a measure for
SHARE_OF_WHOLE = Decimal("0.01")  # of a range or a span
PREFIXES = ("p", "n", "u", "m", "", "k", "M", "G")
READABLE = (Decimal("0.01"), Decimal(10_000))  # a number outside of these gets another prefix


@dataclass(frozen=True, slots=True)
class Turning:
    """How a number is turned.

    Parameters
    ----------
    way : `series` (1-2-5), `step` (a fixed distance), `count` (whole numbers from 1), `rate` (those of serial lines).
    base : SI unit, in which `step` is; empty where it is in the number's own.
    step : for `step`; None for a share of the number itself.
    """

    way: str
    base: str = ""
    step: Decimal | None = None


def turned(text: str, steps: int, how: Turning) -> str:
    """A quantity after some steps upwards, or downwards for negative ones; it keeps its unit, blank and sign.

    Raises
    ------
    Misuse : it cannot be turned so.

    Examples
    --------
    >>> turned("8 V", 1, Turning("series", "V")), turned("500us", -1, Turning("series", "s"))
    ('10 V', '200us')
    >>> turned("1.65 V", 2, Turning("step", "V", Decimal("0.05")))
    '1.75 V'
    """
    parts = QUANTITY.fullmatch(text.strip())
    if parts is None:
        raise Misuse(f"`{text}` cannot be turned", expected="a number, with its unit")
    value = Decimal(parts["number"].replace("\N{MINUS SIGN}", "-"))
    factor = _factor(parts["unit"], how.base)
    if how.way == "series":
        value = _along_series(value, steps)
    elif how.way == "rate":
        value = _along_rates(value, steps)
    elif how.way == "count":
        value = max(Decimal(1), value + steps)
    else:
        is_count = not parts["unit"] and value == value.to_integral_value()
        step = Decimal(1) if is_count else _share_of(value) if how.step is None else how.step / factor
        value += steps * step
    return _spelt(value, parts, how.base)


def nice_step(whole: Decimal) -> Decimal:
    """The number of the series 1-2-5 that is nearest below, or at, a distance above 0."""
    power = Decimal(10) ** whole.adjusted()
    return max(one * power for one in SERIES if one * power <= whole)


def _along_series(value: Decimal, steps: int) -> Decimal:
    if value == 0:
        return value
    size = abs(value)
    for _ in range(abs(steps)):
        size = _next(size) if steps > 0 else _previous(size)
    return size.copy_sign(value)


def _next(size: Decimal) -> Decimal:
    power = Decimal(10) ** size.adjusted()
    return next(one * power for one in (*SERIES, Decimal(10)) if one * power > size)


def _previous(size: Decimal) -> Decimal:
    power = Decimal(10) ** size.adjusted()
    return next(one * power for one in (Decimal(5), Decimal(2), Decimal(1), Decimal("0.5")) if one * power < size)


def _along_rates(value: Decimal, steps: int) -> Decimal:
    rates = [Decimal(rate) for rate in BIT_RATES]
    for _ in range(abs(steps)):
        further = [rate for rate in rates if (rate > value if steps > 0 else rate < value)]
        if not further:
            break
        value = min(further) if steps > 0 else max(further)
    return value


def _share_of(value: Decimal) -> Decimal:
    if value == 0:
        return Decimal(1)
    return nice_step(SHARE * abs(value))


def _factor(unit: str, base: str) -> Decimal:
    """How much of the SI unit one of the unit as it is written is; 1 where nothing is known."""
    if not unit or not base:
        return Decimal(1)
    try:
        return Decimal(repr(read_quantity(f"1 {unit}", unit=base).value))
    except Misuse:
        return Decimal(1)


def _spelt(value: Decimal, parts: re.Match[str], base: str) -> str:
    unit = parts["unit"]
    prefixed = _prefix_of(unit, base)
    if prefixed is not None and value and not READABLE[0] <= abs(value) < READABLE[1]:
        value, unit = _readable(value, prefixed, base, unit)
    number = _plain(value)
    sign = "+" if parts["number"].startswith("+") and value >= 0 else ""
    number = number.replace("-", "\N{MINUS SIGN}") if "\N{MINUS SIGN}" in parts["number"] else number
    return f"{sign}{number}{parts['blank']}{unit}"


def _plain(value: Decimal) -> str:
    rounded = +value.normalize()
    return format(rounded if rounded else Decimal(0), "f")


def _prefix_of(unit: str, base: str) -> str | None:
    """The prefix of a unit of volts, seconds or hertz; None for what takes none here."""
    if base not in ("V", "s", "Hz") or not unit.endswith(base):
        return None
    prefix = unit[: -len(base)].replace("µ", "u").replace("μ", "u")
    return prefix if prefix in PREFIXES else None


def _readable(value: Decimal, prefix: str, base: str, unit: str) -> tuple[Decimal, str]:
    """The same amount with the prefix that leaves one to three digits before the point."""
    place = PREFIXES.index(prefix)
    while abs(value) >= 1000 and place + 1 < len(PREFIXES):
        value, place = value / 1000, place + 1
    while abs(value) < 1 and place > 0:
        value, place = value * 1000, place - 1
    return value, f"{PREFIXES[place]}{base}"
