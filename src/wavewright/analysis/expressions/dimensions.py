"""Units of derived channels: products of powers, so that V / ohm is A and V · A is W."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from wavewright.unit_symbols import MICRO_SIGNS, OHM_SIGNS, PREFIXES

_BASE = {"V": 1, "A": 1, "s": 1}  # enough for electricity at a bench; any other unit is a base of its own
_NAMED: dict[str, dict[str, int]] = {
    "V": {"V": 1},
    "A": {"A": 1},
    "s": {"s": 1},
    "Hz": {"s": -1},
    "W": {"V": 1, "A": 1},
    "ohm": {"V": 1, "A": -1},
    "S": {"A": 1, "V": -1},
    "C": {"A": 1, "s": 1},
    "J": {"V": 1, "A": 1, "s": 1},
    "F": {"A": 1, "s": 1, "V": -1},
    "H": {"V": 1, "s": 1, "A": -1},
    "Wb": {"V": 1, "s": 1},
}
_SHOWN_AS_PRODUCT = {"Wb"}  # an integrated voltage is rarely a flux


@dataclass(frozen=True, slots=True)
class Dimension:
    """Powers of base units, sorted by unit, none of them 0."""

    powers: tuple[tuple[str, Fraction], ...] = ()

    def __mul__(self, other: Dimension) -> Dimension:
        total = dict(self.powers)
        for unit, power in other.powers:
            total[unit] = total.get(unit, Fraction(0)) + power
        return _dimension(total)

    def __pow__(self, exponent: Fraction) -> Dimension:
        return _dimension({unit: power * exponent for unit, power in self.powers})

    def __truediv__(self, other: Dimension) -> Dimension:
        return self * other ** Fraction(-1)

    @property
    def is_ratio(self) -> bool:
        """Whether it is a plain number."""
        return not self.powers

    @property
    def unit(self) -> str:
        """The unit's name: that of the trade where there is one, else a quotient such as `V/s` or `V^2`; `1` for none.

        Examples
        --------
        >>> (dimension_of("V") * dimension_of("A")).unit, (dimension_of("V") / dimension_of("s")).unit
        ('W', 'V/s')
        """
        if self in _NAMES:
            return _NAMES[self]
        above = " ".join(_power(unit, power) for unit, power in self.powers if power > 0)
        below = " ".join(_power(unit, -power) for unit, power in self.powers if power < 0)
        return f"{above or '1'}/{below}" if below else above or "1"


NO_DIMENSION = Dimension()


def _dimension(powers: dict[str, Fraction]) -> Dimension:
    order = [*_BASE, *sorted(set(powers) - set(_BASE))]
    return Dimension(tuple((unit, powers[unit]) for unit in order if powers.get(unit)))


def _power(unit: str, power: Fraction) -> str:
    if power == 1:
        return unit
    return f"{unit}^{power}" if power.denominator == 1 else f"{unit}^({power})"


_DIMENSIONS = {
    name: _dimension({unit: Fraction(power) for unit, power in powers.items()}) for name, powers in _NAMED.items()
}
_NAMES = {dimension: name for name, dimension in _DIMENSIONS.items() if name not in _SHOWN_AS_PRODUCT}


def known_units() -> tuple[str, ...]:
    """The units that an expression may write, each with or without a prefix."""
    return tuple(_DIMENSIONS)


def read_symbol(symbol: str) -> tuple[int, Dimension] | None:
    """Power of ten and dimension of a unit with or without a prefix; None where it is not a unit."""
    plain = symbol
    for sign in OHM_SIGNS:
        plain = plain.replace(sign, "ohm")
    for sign in MICRO_SIGNS:
        plain = plain.replace(sign, "u")
    if plain in _DIMENSIONS:
        return 0, _DIMENSIONS[plain]
    if plain[:1] in PREFIXES and plain[1:] in _DIMENSIONS:
        return PREFIXES[plain[0]], _DIMENSIONS[plain[1:]]
    if plain in ("%", "ppm"):
        return (-2 if plain == "%" else -6), NO_DIMENSION
    return None


def quotient(unit: str, other: str) -> str:
    """The unit of a quotient: `V/s` of V and s; `V` of V s and s.

    Examples
    --------
    >>> quotient("W", "s"), quotient("V s", "s"), quotient("V/s", "s")
    ('W/s', 'V', 'V/s^2')
    """
    if unit == other:
        return "1"
    is_plain = not (set(unit + other) & set(" /^·")) and "1" not in (unit, other)
    return f"{unit}/{other}" if is_plain else (dimension_of(unit) / dimension_of(other)).unit


def dimension_of(unit: str) -> Dimension:
    """The dimension of a waveform's unit; a unit that we do not know, such as `degC`, is one of its own.

    Names that `Dimension.unit` makes are read back.
    """
    above, _, below = unit.strip().partition("/")
    return _product(above) / _product(below)


def _product(text: str) -> Dimension:
    total = NO_DIMENSION
    for factor in text.replace("·", " ").split():
        symbol, _, exponent = factor.partition("^")
        if symbol in ("", "1"):
            continue
        one = _DIMENSIONS.get(symbol) or _dimension({symbol: Fraction(1)})
        total = total * one ** (Fraction(exponent.strip("()")) if exponent else Fraction(1))
    return total
