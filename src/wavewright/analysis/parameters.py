"""Options of metrics: reference levels, conditions and quantities, from text as a recipe writes it or from floats.

How an option is written is said by the annotation of the argument that takes it:

| annotation | written as | arrives as |
|---|---|---|
| `ReferenceLevel` | `50 %` (of the amplitude, above the low level), `1.65 V`, a float in that unit | ReferenceLevel |
| `Condition` | `falling 0.99 V`, `rising 70 %`, `either 50 %` | Condition |
| `Annotated[float, "s"]` | `20 ns`, or a float in that unit | float |
| `Annotated[float, "1"]` | `5 %`, `0.05`: a ratio | float |
| `int`, `bool`, `str`, `Literal[…]` | itself | itself |
| any of them `\\| None` | the same, or left out | |
| any of them `\\| Literal["auto"]` | the same, or that word | itself |
"""

from __future__ import annotations

import math
import types
import typing
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any, Literal

from wavewright.errors import Misuse
from wavewright.quantities import read_quantity


class Slope(StrEnum):
    """The direction of a crossing."""

    RISING = "rising"
    FALLING = "falling"
    EITHER = "either"


@dataclass(frozen=True, slots=True)
class ReferenceLevel:
    """A level to be crossed: a ratio of the amplitude above the low state level, or a value in the waveform's unit.

    Reference level as in IEEE 181-2011 (term from memory, not verified): x % stands for low + x/100 · (high − low).
    """

    number: float
    is_ratio: bool

    def value(self, low: float, high: float) -> float:
        """The level in the waveform's unit, given the two state levels; these are not looked at for absolute levels."""
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
        return cls(read_quantity(text, unit=_unit_at_end(text)).value, is_ratio=False)


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
        return _read_number(value, unit=typing.get_args(annotation)[1], name=name)
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


def _word_lists(branches: list[Any]) -> list[Any]:
    return [branch for branch in branches if typing.get_origin(branch) is Literal]


def _read_number(value: object, *, unit: str, name: str) -> float:
    if isinstance(value, str):
        return read_quantity(value, unit=unit).value
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise Misuse(f"`{name}` is `{value}`", expected=f"a number in {unit}" if unit != "1" else "a ratio")
    return float(value)


def _read_count(value: object, *, name: str) -> int:
    if isinstance(value, str):
        value = read_quantity(value, unit="").value
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value != int(value):
        raise Misuse(f"`{name}` is `{value}`", expected="a whole number")
    return int(value)


def _unit_at_end(text: str) -> str:
    """The unit behind the number, without its prefix: levels are in whatever the waveform is in."""
    word = text.strip().rsplit(None, 1)[-1] if " " in text.strip() else text.strip().lstrip("+-.0123456789eE")
    return next((unit for unit in ("V", "A", "W", "ohm") if word.endswith(unit) or word.endswith("Ω")), "V")
