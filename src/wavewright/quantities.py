"""Quantities and intervals: `500 us`, `2.2 ms ± 20 %` <-> numbers with units.

Files and screens speak engineering notation, the code inside plain SI floats; this is the one place between the two.
How units are written is said in `unit_symbols.py`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal

from wavewright.errors import Misuse
from wavewright.nearest import did_you_mean
from wavewright.unit_symbols import (
    EXAMPLES,
    MAY_BE_BARE,
    PLAIN_UNITS,
    PREFIXES,
    RATIO_UNITS,
    WITHOUT_PREFIX,
    spellings,
    takes_prefix,
)

SMALLEST_IN_PERCENT = 1e-4
CELSIUS = "degC"  # with another zero than kelvin, and the same differences
LARGEST_END = 1e150  # of a limit, in SI units: its width, and its distance from any reading, can be computed
DEFAULT_DIGITS = 4  # where neither an uncertainty nor a resolution is known
MOST_DIGITS = 15  # that a double holds
WITHOUT_POWER_OF_TEN = (1e-3, 1e6)  # magnitudes in which a number reads well without
SMALLEST_VOLTAGE = 1e-12  # below it only rounding of floats is left: no instrument resolves it
READABLE_DIGITS = 9  # shown at most, however little the uncertainty: no bench has more

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.(?!\.)\d*)?|\.\d+)(?:[eE][+-]?\d{1,5})?")
_OPENINGS = {"at most ": "most", "at least ": "least", "exactly ": "exactly"}
_COMPARISONS = {
    "at most": "at most", "at least": "at least", "exactly": "exactly", "<": "at most", "≤": "at most",
    "max": "at most", "under": "at most", "below": "at most", "up to": "at most",
    ">": "at least", "≥": "at least", "min": "at least", "over": "at least", "above": "at least", "=": "exactly",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit: SI, without prefix; ratios are 0 … 1."""

    value: float
    unit: str

    def __str__(self) -> str:
        return _exactly(self.value, self.unit)


@dataclass(frozen=True, slots=True)
class Interval:
    """All values from `low` to `high`, both included, in `unit`; an open end is infinite."""

    low: float
    high: float
    unit: str

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high

    def __str__(self) -> str:
        low, high = (_exactly(end, self.unit) for end in (self.low, self.high))
        if self.low == self.high:
            return f"exactly {low}"
        if self.low == -math.inf:
            return f"at most {high}"
        return f"at least {low}" if self.high == math.inf else f"{low} .. {high}"


def read_quantity(text: str, *, unit: str, least: float = -math.inf, most: float = math.inf) -> Quantity:
    """The quantity that a text states, in the wanted unit.

    Parameters
    ----------
    text : `500 us`, `2.2 kΩ`, `40 %`, `10x`, `80k`; the blank between number and unit may be missing.
    unit : the unit that is wanted, see the table at the head of this file.
    least, most : what makes sense for the quantity in its place, in `unit`, both included. They also recognise `10 mHz`
        where only `10 MHz` can be meant.

    Raises
    ------
    Misuse : it is not such a quantity; says what would be right.

    Examples
    --------
    >>> read_quantity("500 us", unit="s")
    Quantity(value=0.0005, unit='s')
    >>> read_quantity("40 %", unit="1").value
    0.4
    """
    number, symbol = _split(text, unit)
    value = _scaled(number, symbol, unit)
    if value is None:
        raise _unit_fault(text.strip(), number, symbol, unit)
    if not math.isfinite(value):
        raise Misuse(f"`{text.strip()}` is not a finite number", expected=_expected(unit))
    if unit == "1" and not symbol and abs(value) >= 1:
        percent = f"{100 * value:g} %"
        raise Misuse(
            f"`{number}` as a ratio is {percent}",
            expected=_expected(unit),
            do=f"write `{number} %`, or `{percent}` if that is meant",
        )
    if not least <= value <= most:
        raise _range_fault(number, symbol, unit, least, most)
    return Quantity(value, unit)


def read_interval(text: str, *, unit: str) -> Interval:
    """The interval that a limit states: `at most X`, `at least X`, `A .. B`, `X ± Y`, `X ± P %`, `exactly N`.

    `± P %` is per cent of X, and `± P ppm` is possible too. Where X itself is a ratio that could be read two ways and
    is refused: `40 % ± 1 pp` says percentage points, `39.6 % .. 40.4 %` says per cent of 40 %. On a plain keyboard
    `±` is `+-` or `+/-`.

    Raises
    ------
    Misuse : it is not an interval in that unit; says what would be right.

    Examples
    --------
    >>> read_interval("1.6 ms .. 3.2 ms", unit="s")
    Interval(low=0.0016, high=0.0032, unit='s')
    >>> read_interval("at most 40 mV", unit="V")
    Interval(low=-inf, high=0.04, unit='V')
    """
    words = " ".join(text.replace("+/-", "±").replace("+-", "±").split())
    found = _read_interval(words, unit)
    if any(math.isfinite(end) and abs(end) > LARGEST_END for end in (found.low, found.high)) or not (
        math.isfinite(found.low) or math.isfinite(found.high)
    ):
        raise Misuse(f"`{words}` reaches beyond all numbers", expected=f"ends within ± {Quantity(LARGEST_END, unit)}")
    return found


def _read_interval(words: str, unit: str) -> Interval:
    for opening, end in _OPENINGS.items():
        if f"{words} ".startswith(opening):
            value = read_quantity(words[len(opening) :], unit=unit).value
            return Interval(-math.inf if end == "most" else value, math.inf if end == "least" else value, unit)
    if ".." in words:
        return _read_range(words, unit)
    if "±" in words:
        return _read_tolerance(words, unit)
    raise _interval_fault(words, unit)


def show_quantity(value: float, unit: str, *, uncertainty: float | None = None, resolution: float | None = None) -> str:
    """Engineering notation, with no more digits than the uncertainty or the resolution supports.

    The last digit shown has the decimal place of the first digit of the larger of the two; where neither is known
    there are four significant digits, and voltages below 1 pV are 0. Ratios are shown in per cent, below 0.01 % in
    parts per million; plain numbers and numbers of things as they are. A unit that takes no prefix, such as
    `V^2` or `1/V`, has none.

    Examples
    --------
    >>> show_quantity(2.19722e-3, "s", uncertainty=1.3e-6)
    '2.197 ms'
    >>> show_quantity(0.4, "1", uncertainty=0.002)
    '40.0 %'
    """
    if not math.isfinite(value):
        return "not a number" if math.isnan(value) else f"{'-' if value < 0 else ''}∞ {_shown_unit(unit)}".strip()
    known = max(abs(uncertainty or 0.0), abs(resolution or 0.0))
    if unit == "V" and max(abs(value), known) < SMALLEST_VOLTAGE:
        return "0 V"
    if unit in PLAIN_UNITS or unit == "1" or unit in WITHOUT_PREFIX:
        symbol = _shown_unit(unit)
        if unit == "1" and 0 < max(abs(value), known) < SMALLEST_IN_PERCENT:
            symbol = "ppm"
        factor = RATIO_UNITS.get(symbol, 1.0) if unit == "1" else 1.0
        shown = _in_decimals(factor * value, factor * known)
        return f"{shown}{'' if unit in {'x', *PLAIN_UNITS} else ' '}{symbol}"
    return _in_engineering_notation(value, unit, known) if takes_prefix(unit) else _in_powers_of_ten(value, unit, known)


def _split(text: str, unit: str) -> tuple[str, str]:
    """The number and the unit after it, both as they are there."""
    words = " ".join(text.replace("\N{MINUS SIGN}", "-").split())
    if not words:
        raise Misuse("the value is empty", expected=_expected(unit))
    match = _NUMBER.match(words)
    if not match:
        is_infinite = re.match(r"[+-]?\.?(nan|inf|infinity|∞)\b|[+-]?∞", words, re.IGNORECASE)
        raise Misuse(f"`{words}` is not a {'finite ' if is_infinite else ''}number", expected=_expected(unit))
    symbol = words[match.end() :].strip()
    if re.match(r",\d", symbol):
        point = words.replace(",", ".", 1)
        raise Misuse(
            f"`{words}` has a comma in its number",
            expected=_expected(unit),
            do=f"write `{point}` with a decimal point, or `{words.replace(',', '')}` if the comma separates thousands",
        )
    return match.group(), symbol


def _scaled(number: str, symbol: str, unit: str) -> float | None:
    """Number and symbol as a value in the wanted unit; None where the symbol is not one of that unit."""
    prefixes = spellings(unit)
    if symbol not in prefixes:
        return None
    mantissa, _, exponent = number.lower().partition("e")
    value = float(f"{mantissa}e{int(exponent or 0) + PREFIXES[prefixes[symbol]]}")  # rounded once, not twice
    return value / RATIO_UNITS.get(symbol, 1.0)  # not times 0.01: 7 % is 0.07 to the last bit


def _unit_fault(text: str, number: str, symbol: str, unit: str) -> Misuse:
    """Why `symbol` is not a spelling of `unit`, and what was probably meant."""
    known, expected = spellings(unit), _expected(unit)
    if not symbol:
        usual = [f"`{_joined(number, spelling)}`" for spelling in list(known)[:3]]
        which = ", whichever is meant" if len(usual) > 1 else ""
        return Misuse(f"`{text}` has no unit", expected=expected, do=f"write {' or '.join(usual)}{which}")
    if slips := [spelling for spelling in known if spelling.casefold() == symbol.casefold()]:
        meant = " or ".join(f"`{_joined(number, spelling)}`" for spelling in slips)
        return Misuse(f"`{text}`: there is no unit `{symbol}`, capitals count", expected=expected, do=f"write {meant}")
    for other, (amount, _) in EXAMPLES.items():
        if other not in PLAIN_UNITS and symbol in spellings(other):
            return Misuse(f"`{text}` is {amount}", expected=expected)
    return Misuse(
        f"`{text}`: there is no unit `{symbol}`" if known.keys() - {""} else f"`{text}` is more than a number",
        expected=expected,
        do=did_you_mean(symbol, filter(None, known), written=_joined(number, "{}")),
    )


def _range_fault(number: str, symbol: str, unit: str, least: float, most: float) -> Misuse:
    """Why a quantity makes no sense where it is; if another prefix would, that is proposed."""
    ends = [(least, "at least"), (most, "at most")]
    limits = " and ".join(f"{word} {Quantity(end, unit)}" for end, word in ends if math.isfinite(end))
    swapped = [spelling for spelling in spellings(unit) if spelling.casefold() == symbol.casefold()]
    plausible = [
        f"`{_joined(number, spelling)}`"
        for spelling in swapped
        if spelling != symbol and least <= (_scaled(number, spelling, unit) or 0.0) <= most
    ]
    do = f"did you mean {' or '.join(plausible)}?" if plausible else ""
    return Misuse(f"`{_joined(number, symbol)}` is out of range here", expected=limits, do=do)


def _read_range(words: str, unit: str) -> Interval:
    first, _, last = (part.strip() for part in words.partition(".."))
    if _NUMBER.fullmatch(first) and unit not in PLAIN_UNITS and _NUMBER.match(last):
        symbol = _NUMBER.sub("", last, count=1).strip()
        if symbol and unit != "1":
            both = f"{_joined(first, symbol)} .. {last}"
            raise Misuse(f"`{words}`: `{first}` has no unit", expected="a unit at both ends", do=f"write `{both}`")
    low, high = (read_quantity(end, unit=unit).value for end in (first, last))
    if low > high:
        raise Misuse(
            f"`{words}` has its lower end above the upper one",
            expected="the lower end first",
            do=f"write `{last.strip()} .. {first.strip()}`",
        )
    return Interval(low, high, unit)


def _read_tolerance(words: str, unit: str) -> Interval:
    first, _, last = (part.strip() for part in words.partition("±"))
    middle = read_quantity(first, unit=unit).value
    if unit == "1" and last.endswith("pp"):
        half = _times(read_quantity(last, unit="pp").value, 0.01)
    elif unit == "1" and last.endswith(tuple(RATIO_UNITS)):
        points = f"{_times(100, read_quantity(last, unit='1').value):.15g}"
        ends = _around(middle, _times(abs(middle), read_quantity(last, unit="1").value), unit)
        raise Misuse(
            f"`{words}` can be read two ways",
            expected="percentage points, or the two ends",
            do=f"write `{first} ± {points} pp` for percentage points, `{ends}` for {last} of {first}",
        )
    elif unit == "1" and _NUMBER.fullmatch(last) and abs(float(last)) >= 1:
        raise Misuse(
            f"`{words}`: `{last}` has no unit", expected="percentage points", do=f"write `{first} ± {last} pp`"
        )
    elif unit == CELSIUS and last.endswith(tuple(RATIO_UNITS)):
        raise Misuse(
            f"`{words}`: {last} of a temperature in degC depends on where its scale begins",
            expected=f"a difference of temperatures, such as `{first} ± 5 K`",
        )
    elif unit == CELSIUS and last.endswith("K"):
        half = read_quantity(last, unit="K").value
    elif last.endswith(tuple(RATIO_UNITS)):
        half = _times(abs(middle), read_quantity(last, unit="1").value)
    elif _NUMBER.fullmatch(last) and unit not in {"1", *PLAIN_UNITS, *MAY_BE_BARE}:
        symbol = _NUMBER.sub("", first, count=1).strip()
        raise Misuse(
            f"`{words}`: `{last}` has no unit",
            expected="a tolerance in percent, or in the unit",
            do=f"write `{first} ± {last} %` or `{first} ± {_joined(last, symbol)}`, whichever is meant",
        )
    else:
        half = read_quantity(last, unit=unit).value
    if half < 0 or (half == 0 and middle == 0 and last.endswith("%")):
        raise Misuse(
            f"`{words}` has no width", expected="a tolerance above 0; in the unit, not in %, if the value is 0"
        )
    return _around(middle, half, unit)


def _around(middle: float, half: float, unit: str) -> Interval:
    """The interval, in decimal arithmetic: 40 % ± 1 pp ends at 0.41 and not at 0.41000000000000003.

    What overflows becomes infinite at both ends, so that it is not taken for a limit with one end.
    """
    if not math.isfinite(half) or max(abs(middle), abs(half)) > LARGEST_END:
        return Interval(-math.inf, math.inf, unit)
    centre, width = Decimal(repr(middle)), Decimal(repr(half))
    return Interval(float(centre - width), float(centre + width), unit)


def _times(first: float, second: float) -> float:
    return float(Decimal(repr(first)) * Decimal(repr(second)))


def _interval_fault(words: str, unit: str) -> Misuse:
    amount, _ = EXAMPLES.get(unit, (f"a quantity in {unit}", ""))
    forms = f"`at most X`, `at least X`, `A .. B`, `X ± Y`, `X ± P %` or `exactly X`, each {amount}"
    for sign, instead in _COMPARISONS.items():
        if words.casefold().startswith(sign):
            rest = words[len(sign) :].lstrip("=").strip()
            return Misuse(f"`{words}` is not how a limit is written", expected=forms, do=f"write `{instead} {rest}`")
    if parts := re.fullmatch(r"(?:from |between )?(.*?\d.*?)\s*(?:\bto\b|\band\b|[-–—]|…)\s*(\d.*)", words):
        between = f"{parts[1]} .. {parts[2]}"
        raise Misuse(f"`{words}` is not how a limit is written", expected=forms, do=f"write `{between}`")
    read_quantity(words, unit=unit)  # says what is wrong if it is not even a quantity
    others = f"`exactly {words}`" if unit in PLAIN_UNITS else f"with a tolerance `{words} ± …`"
    return Misuse(
        f"`{words}` alone is neither an upper nor a lower limit",
        expected=forms,
        do=f"write `at most {words}`, `at least {words}` or {others}",
    )


def _expected(unit: str) -> str:
    amount, example = EXAMPLES.get(unit, (f"a quantity in {unit}", f"1 {unit}"))
    return f"{amount}, such as `{example}`"


def _joined(number: str, symbol: str) -> str:
    return number + symbol if symbol == "x" or not symbol else f"{number} {symbol}"


def _shown_unit(unit: str) -> str:
    return "%" if unit == "1" else "" if unit in PLAIN_UNITS else unit


def _exactly(value: float, unit: str) -> str:
    """All digits that the number has, and none that only comes from its binary form."""
    if not math.isfinite(value):
        return show_quantity(value, unit)
    if unit in PLAIN_UNITS or unit == "1" or unit in WITHOUT_PREFIX:
        gap = "" if unit in {"x", *PLAIN_UNITS} else " "
        return f"{_times(value, 100 if unit == '1' else 1):.15g}{gap}{_shown_unit(unit)}"
    return _rendered(value, unit, MOST_DIGITS, strip_zeros=True) if takes_prefix(unit) else f"{value:.15g} {unit}"


def _decimals(value: float, known: float) -> int:
    """How many decimals are shown of a number that is known to within `known`."""
    top = math.floor(math.log10(abs(value))) if value else 0
    if known == 0:
        return DEFAULT_DIGITS - 1 - top if value else 0
    return min(-math.floor(math.log10(known) + 1e-9), READABLE_DIGITS - 1 - top)


def _in_decimals(value: float, known: float) -> str:
    if known == 0 and value == int(value):
        return f"{int(value)}"
    decimals = _decimals(value, known)
    shown = f"{round(value, decimals) + 0.0:.{max(0, decimals)}f}"
    return shown if known or "." not in shown else shown.rstrip("0").rstrip(".")


def _in_engineering_notation(value: float, unit: str, known: float) -> str:
    decimals = _decimals(value, known)
    rounded = round(value, decimals)
    if rounded == 0:
        return f"0 {unit}"
    digits = math.floor(math.log10(abs(rounded))) + decimals + 1
    return _rendered(rounded, unit, max(1, digits), strip_zeros=known == 0)


def _in_powers_of_ten(value: float, unit: str, known: float) -> str:
    """Of a unit that takes no prefix: as it is from a thousandth to a million, else with a power of ten."""
    if value == 0 or WITHOUT_POWER_OF_TEN[0] <= abs(value) < WITHOUT_POWER_OF_TEN[1]:
        return f"{_in_decimals(value, known)} {unit}"
    digits = _decimals(value, known) + math.floor(math.log10(abs(value))) + 1
    return f"{value:.{min(MOST_DIGITS, max(1, digits)) - 1}e} {unit}"


def _rendered(value: float, unit: str, digits: int, *, strip_zeros: bool) -> str:
    from quantiphy import Quantity as Engineering  # here, because importing it takes 40 ms

    return str(Engineering(value, units=unit).render(form="si", prec=digits - 1, strip_zeros=strip_zeros))
