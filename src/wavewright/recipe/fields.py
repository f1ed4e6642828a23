"""Field types of recipes, benches and profiles: quantities with their unit, counts, names, and what they accept.

A quantity arrives as `Stated`: the number in SI, and the text and the place that it came from, for messages later on.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, GetCoreSchemaHandler, GetJsonSchemaHandler, WithJsonSchema
from pydantic_core import CoreSchema, core_schema

from wavewright.buses.search import patterns
from wavewright.errors import FileFault, Misuse, Place
from wavewright.quantities import read_quantity
from wavewright.recipe.model_reading import refusing
from wavewright.recipe.places import place_of, text_of
from wavewright.unit_symbols import EXAMPLES


@dataclass(frozen=True, slots=True)
class Stated:
    """A quantity as a file states it: `value` in `unit` (SI), the words, and where they stand."""

    value: float
    unit: str
    text: str
    place: Place | None = field(default=None, compare=False)

    def __float__(self) -> float:
        return self.value

    def __str__(self) -> str:
        return self.text

    @classmethod
    def read(cls, text: str, *, unit: str, least: float = -math.inf, most: float = math.inf) -> Stated:
        """From the text of a file, or from that of a default.

        Raises
        ------
        Misuse : it is no such quantity.
        """
        return cls(read_quantity(text, unit=unit, least=least, most=most).value, unit, str(text), place_of(text))


def fault_at(stated: Stated, what: str, *, expected: str = "", do: str = "") -> FileFault:
    """A fault of what a quantity says together with others, at its place."""
    return FileFault(what, where=stated.place or "", expected=expected, do=do)


@dataclass(frozen=True, slots=True)
class In:
    """Annotation of a `Stated` field: the unit it is in, what makes sense there, words that may stand instead.

    `Annotated[Stated, In("V")]`; with words `Annotated[Stated | Literal["auto"], In("V", words=("auto",))]`.
    """

    unit: str
    least: float = -math.inf
    most: float = math.inf
    words: tuple[str, ...] = ()

    def read(self, value: Any) -> Stated | str:
        """What the field holds, from what stands in the file.

        Raises
        ------
        Misuse : neither a quantity in the unit nor one of the words.
        """
        if isinstance(value, Stated):
            return value
        if not isinstance(value, str):
            shown = {True: "`true`", False: "`false`", None: "nothing"}.get(value) if not _is_nest(value) else "a list"
            raise Misuse(f"{shown or f'`{value}`'} where a quantity is due", expected=self.expected)
        if value in self.words:
            return str(value)
        try:
            return Stated.read(value, unit=self.unit, least=self.least, most=self.most)
        except Misuse as fault:
            if not self.words:
                raise
            raise Misuse(fault.what, expected=fault.expected + self._or_words, do=fault.do) from fault

    @property
    def expected(self) -> str:
        """What may stand here, in words."""
        amount, example = EXAMPLES.get(self.unit, (f"a quantity in {self.unit}", f"1 {self.unit}"))
        return f"{amount}, such as `{example}`{self._or_words}"

    @property
    def _or_words(self) -> str:
        return "".join(f", or `{word}`" for word in self.words)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            refusing(self.read), serialization=core_schema.to_string_ser_schema()
        )

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        _, example = EXAMPLES.get(self.unit, ("", f"1 {self.unit}"))
        return {"type": "string", "title": self.expected, "examples": [*self.words, example]}


def _is_nest(value: object) -> bool:
    return isinstance(value, Mapping | list | tuple)


Voltage = Annotated[Stated, In("V")]
PositiveVoltage = Annotated[Stated, In("V", least=1e-9, most=1e6)]
Current = Annotated[Stated, In("A", least=0)]
Resistance = Annotated[Stated, In("ohm", least=0)]
Capacitance = Annotated[Stated, In("F", least=0)]
Time = Annotated[Stated, In("s", least=0, most=1e6)]
SignedTime = Annotated[Stated, In("s")]
Frequency = Annotated[Stated, In("Hz", least=1e-3, most=1e12)]
Rate = Annotated[Stated, In("Hz", least=1, most=1e12)]
Ratio = Annotated[Stated, In("1")]
Fraction = Annotated[Stated, In("1", least=0, most=1)]
Factor = Annotated[Stated, In("x", least=1e-6, most=1e6)]
Angle = Annotated[Stated, In("deg", least=-360, most=360)]
VoltageOrAuto = Annotated[Stated | Literal["auto"], In("V", words=("auto",))]
RangeOrAuto = Annotated[Stated | Literal["auto"], In("V", least=1e-9, most=1e6, words=("auto",))]


def read_count(value: object) -> int:
    """A whole number, at least 1: `16`, `80k`.

    Raises
    ------
    Misuse : it is none.
    """
    if isinstance(value, int) and not isinstance(value, bool):
        number = float(value)
    elif isinstance(value, str):
        number = read_quantity(value, unit="").value
    else:
        raise Misuse(f"`{value}` where a number is due", expected="a whole number, such as `16` or `80k`")
    if number != int(number) or number < 1:
        raise Misuse(f"`{value}` is no count", expected="a whole number, at least 1")
    return int(number)


Count = Annotated[
    int,
    BeforeValidator(refusing(read_count)),
    WithJsonSchema({"anyOf": [{"type": "integer", "minimum": 1}, {"type": "string", "examples": ["80k"]}]}),
]

NAME_PATTERN = r"[A-Za-z][A-Za-z0-9_]*"


def read_name(value: str) -> str:
    """A name that can stand in `measurement.reading` and in expressions.

    Raises
    ------
    Misuse : it has other signs.
    """
    if not re.fullmatch(NAME_PATTERN, value):
        plain = re.sub(r"\W+", "_", value, flags=re.ASCII).strip("_") or "name"
        plain = plain if plain[0].isalpha() else f"n{plain}"
        raise Misuse(
            f"`{value}` is no name", expected="a letter, then letters, digits and `_`", do=f"write `{plain}`, say"
        )
    return str(value)


Name = Annotated[str, AfterValidator(refusing(read_name))]


def read_names(value: object) -> tuple[str, ...]:
    """One name, or a list of names.

    Raises
    ------
    Misuse : neither.
    """
    listed = [value] if isinstance(value, str) else value
    if not isinstance(listed, list | tuple) or not listed or not all(isinstance(item, str) for item in listed):
        raise Misuse("neither a name nor a list of names", expected="`name`, or `[first, second]`")
    return tuple(str(item) for item in listed)


Names = Annotated[
    tuple[str, ...],
    BeforeValidator(refusing(read_names)),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]}),
]


def read_line(value: object) -> str:
    """A text of one or more lines, not empty.

    Raises
    ------
    Misuse : it is none.
    """
    if not isinstance(value, str) or not value.strip():
        raise Misuse("no text", expected="some words")
    return str(value).strip()


Line = Annotated[str, BeforeValidator(refusing(read_line))]


def read_value(value: object) -> str:
    """Any single value, as the text that stands for it.

    Raises
    ------
    Misuse : nothing, or more than one.
    """
    return text_of(value) if isinstance(value, bool) else read_line(value)


Value = Annotated[str, BeforeValidator(refusing(read_value)), WithJsonSchema({"type": ["string", "number", "boolean"]})]


def read_pattern(value: object) -> str:
    """A regular expression.

    Raises
    ------
    Misuse : it is none.
    """
    return patterns.read_pattern(read_line(value)).text


Pattern = Annotated[str, BeforeValidator(refusing(read_pattern)), WithJsonSchema({"type": "string", "format": "regex"})]
