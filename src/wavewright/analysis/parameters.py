"""Options of metrics: reference levels, conditions and quantities, from text as a recipe writes it or from floats.

How an option is written is said by the annotation of the argument that takes it:

| annotation | written as | arrives as |
|---|---|---|
| `ReferenceLevel` | `50 %` (of the amplitude, above the low level), `1.65 V`, a float in that unit | ReferenceLevel |
| `Condition` | `falling 0.99 V`, `rising 70 %`, `either 50 %` | Condition |
| `Annotated[float, "s", ANY]` | `20 ns`, or a float in that unit | float |
| `Annotated[float, "1", SHARE]` | `5 %`, `0.05`: a ratio | float |
| `Annotated[int, COUNT]` | a whole number | int |
| `bool`, `str`, `Literal[…]` | itself | itself |
| any of them `\\| None` | the same, or left out | |
| any of them `\\| Literal["auto"]` | the same, or that word | itself |

Every number has its `Sense` in the annotation: what it may be at all, see `sense.py`.
"""

from __future__ import annotations

import math
import re
import types
import typing
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated, Any, Literal

from wavewright.analysis.sense import ANY, NOT_NEGATIVE, Sense
from wavewright.errors import Misuse
from wavewright.quantities import read_quantity
from wavewright.unit_symbols import PREFIXES

_NUMBER_AT_BEGIN = re.compile(r"[-+\N{MINUS SIGN}]?[\d.]+([eE][-+]?\d+)?")
_FIRST_FACTOR = re.compile(r"[^\W\d_]+")
_UNITS_OF_LEVELS = frozenset({"V", "A", "W", "ohm", "J", "S", "C", "Wb", "degC", "var", "VA"})


class Slope(StrEnum):
    """The direction of a crossing."""

    RISING = "rising"
    FALLING = "falling"
    EITHER = "either"


@dataclass(frozen=True, slots=True)
class ReferenceLevel:
    """A level to be crossed: a ratio of the amplitude above the low state level, or a value in the waveform's unit.

    Reference level as in IEEE 181-2011 †: x % stands for low + x/100 · (high − low).
    `unit` is that in which an absolute level was written, empty for a float, which is in the waveform's own.
    """

    number: float
    is_ratio: bool
    unit: str = field(default="", compare=False)

    def value(self, low: float, high: float) -> float:
        """The level in the waveform's unit, given the two state levels; these are not examined for absolute levels."""
        return low + self.number * (high - low) if self.is_ratio else self.number

    def __str__(self) -> str:
        return f"{100 * self.number:g} %" if self.is_ratio else f"{self.number:g}"

    @classmethod
    def read(cls, text: object) -> ReferenceLevel:
        """From `50 %`, `1.65 V` (any unit that the waveform has) or a float, which is absolute.

        Raises
        ------
        Misuse : it is none of them.
        """
        if isinstance(text, ReferenceLevel):
            return text
        if isinstance(text, (int, float)) and not isinstance(text, bool):
            if not math.isfinite(text):
                raise Misuse(f"level `{text}`", expected="a finite number")
            return cls(float(text), is_ratio=False)
        if not isinstance(text, str):
            raise Misuse(f"level `{text}`", expected="a level such as `50 %` or `1.65 V`")
        if text.strip().endswith("%"):
            return cls(read_quantity(text, unit="1").value, is_ratio=True)
        unit = _unit_at_end(text)
        return cls(read_quantity(text, unit=unit).value, is_ratio=False, unit=unit)


Hysteresis = Annotated[ReferenceLevel, NOT_NEGATIVE]
"""How far a signal must go back before the next crossing counts: a share of the amplitude, or an absolute width."""


@dataclass(frozen=True, slots=True)
class Condition:
    """A crossing to wait for: a slope and a level."""

    slope: Slope
    level: ReferenceLevel

    def __str__(self) -> str:
        return f"{self.slope} {self.level}"

    @classmethod
    def read(cls, text: object) -> Condition:
        """From `falling 0.99 V`, `rising 70 %`, `either 0 V`.

        Raises
        ------
        Misuse : it does not begin with a slope, or no level follows.
        """
        if isinstance(text, Condition):
            return text
        word, _, rest = str(text).strip().partition(" ")
        if word not in tuple(Slope) or not rest.strip():
            raise Misuse(
                f"condition `{text}`", expected="a slope and a level, such as `falling 0.99 V` or `rising 70 %`"
            )
        return cls(Slope(word), ReferenceLevel.read(rest.strip()))


def read_parameter(value: object, annotation: Any, *, name: str) -> Any:
    """Convert one option to what its annotation asks for.

    Raises
    ------
    Misuse : it does not fit; says what would.
    """
    origin = typing.get_origin(annotation)
    if origin in (typing.Union, types.UnionType):
        branches = [branch for branch in typing.get_args(annotation) if branch is not type(None)]
        if any(isinstance(value, str) and value in typing.get_args(branch) for branch in _word_lists(branches)):
            return value
        return None if value is None else read_parameter(value, branches[0], name=name)
    if annotation in (ReferenceLevel, Condition):
        return annotation.read(value)
    if origin is Annotated:
        return _read_annotated(value, annotation, name=name)
    if origin is Literal or (isinstance(annotation, type) and issubclass(annotation, StrEnum)):
        words = typing.get_args(annotation) if origin is Literal else [str(member) for member in annotation]
        if value not in words:
            raise Misuse(f"`{name}` is `{value}`", expected=f"one of {', '.join(map(str, words))}")
        return value if origin is Literal else annotation(value)
    if annotation is bool or annotation is str:
        if not isinstance(value, annotation):
            raise Misuse(f"`{name}` is `{value}`", expected="true or false" if annotation is bool else "a word")
        return value
    if annotation is int:
        return _read_count(value, name=name)
    return value


def unit_and_sense(annotation: Any) -> tuple[str, Sense]:
    """Of an `Annotated[…]`: the unit of the number, empty where it has none of its own, and what makes sense."""
    said = typing.get_args(annotation)[1:]
    unit = next((part for part in said if isinstance(part, str)), "")
    return unit, next((part for part in said if isinstance(part, Sense)), ANY)


def _read_annotated(value: object, annotation: Any, *, name: str) -> Any:
    """A number, or a level, that has to make sense."""
    kind = typing.get_args(annotation)[0]
    if kind is str:
        return read_parameter(value, str, name=name)
    unit, sense = unit_and_sense(annotation)
    if kind is ReferenceLevel:
        level = ReferenceLevel.read(value)
        sense.check(level.number, name=name, written=value, unit="1" if level.is_ratio else level.unit)
        return level
    number = _read_count(value, name=name) if kind is int else _read_number(value, unit=unit, name=name)
    sense.check(number, name=name, written=value, unit=unit)
    return number


ASCENDING = (("low", "high"), ("lowest", "highest"), ("after", "until"), ("low_state", "high_state"))
"""Options, whatever has them, of which the first must lie below the second."""


def check_order(values: Mapping[str, object]) -> None:
    """Refuse options that bound an empty interval or band.

    Parameters
    ----------
    values : of all options as they were read, the defaults of those that were not given included.

    Raises
    ------
    Misuse : the lower one is not below the upper one.
    """
    for lower, upper in ASCENDING:
        first, second = (values.get(name) for name in (lower, upper))
        if isinstance(first, ReferenceLevel) and isinstance(second, ReferenceLevel):
            is_empty = first.is_ratio == second.is_ratio and first.number >= second.number
        else:
            is_empty = isinstance(first, float) and isinstance(second, float) and first >= second
        if is_empty:
            raise Misuse(f"`{lower}` {first} is not below `{upper}` {second}", expected="the lower one first")


def check_units(values: Mapping[str, object], units: Sequence[str]) -> None:
    """Refuse levels that are written in a unit which none of the waveforms has.

    Parameters
    ----------
    values : of options, as they were read.
    units : of the waveforms.

    Raises
    ------
    Misuse : a level in V on a channel in A.
    """
    if {"", "1"} & set(units):
        return  # numbers of which nobody said what they are: a level in any unit fits them
    for name, value in values.items():
        level = value.level if isinstance(value, Condition) else value
        if isinstance(level, ReferenceLevel) and level.unit and level.unit not in units:
            channels = "the channel" if len(units) == 1 else "the channels"
            raise Misuse(
                f"`{name.rstrip('_')}` is in {level.unit}, {channels} in {' and '.join(dict.fromkeys(units))}",
                expected=f"a level in {' or '.join(dict.fromkeys(units))}, or in % of the amplitude",
            )


def _word_lists(branches: list[Any]) -> list[Any]:
    return [branch for branch in branches if typing.get_origin(branch) is Literal]


def _read_number(value: object, *, unit: str, name: str) -> float:
    if isinstance(value, str):
        return read_quantity(value, unit=unit).value
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise Misuse(f"`{name}` is `{value}`", expected=f"a number in {unit}" if unit != "1" else "a ratio")
    return float(value)


def _read_count(value: Any, *, name: str) -> int:
    if isinstance(value, str):
        value = read_quantity(value, unit="").value
    is_number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    if not is_number or value != int(value):
        raise Misuse(f"`{name}` is `{value}`", expected="a whole number")
    return int(value)


def _unit_at_end(text: str) -> str:
    """The unit after the number, without its prefix: levels are in whatever the waveform is in."""
    symbol = _NUMBER_AT_BEGIN.sub("", text.strip().replace("Ω", "ohm"), count=1).strip()
    first = _FIRST_FACTOR.match(symbol)
    if first is None:
        return "V"
    word, rest = first.group(), symbol[first.end() :]
    if word in _UNITS_OF_LEVELS:
        return symbol
    return word[1:] + rest if word[1:] in _UNITS_OF_LEVELS and word[0] in PREFIXES else "V"
