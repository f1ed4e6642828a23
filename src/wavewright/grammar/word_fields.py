"""Field types other than quantities: counts, names, lines of text, single values, patterns, and what they accept."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, GetCoreSchemaHandler, GetJsonSchemaHandler, WithJsonSchema
from pydantic_core import CoreSchema, core_schema

from wavewright.buses.search import patterns
from wavewright.errors import Misuse
from wavewright.grammar.located_yaml import text_of
from wavewright.grammar.model_reading import refusing
from wavewright.quantities import read_quantity


def read_count(value: object, *, least: int = 1, most: float = math.inf) -> int:
    """A whole number, at least 1 where nothing else is said: `16`, `80k`.

    Raises
    ------
    Misuse : it is none.
    """
    if isinstance(value, int) and not isinstance(value, bool):
        number = float(value)
    elif isinstance(value, str):
        number = read_quantity(value, unit="").value
    else:
        raise Misuse(f"`{value}` where a number is required", expected="a whole number, such as `16` or `80k`")
    if number != int(number) or not least <= number <= most:
        up_to = f", at most {most:g}" if math.isfinite(most) else ""
        raise Misuse(f"`{value}` is not a count", expected=f"a whole number, at least {least}{up_to}")
    return int(number)


@dataclass(frozen=True, slots=True)
class CountFrom:
    """Annotation of a whole number: from which on, and up to which."""

    least: int
    most: float = math.inf

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        def read(value: object) -> int:
            return read_count(value, least=self.least, most=self.most)

        return core_schema.no_info_plain_validator_function(refusing(read))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        bounds = {"minimum": self.least} | ({"maximum": self.most} if math.isfinite(self.most) else {})
        return {"anyOf": [{"type": "integer", **bounds}, {"type": "string"}], "examples": [max(self.least, 1)]}


Count = Annotated[int, CountFrom(1)]

NAME_PATTERN = r"[A-Za-z][A-Za-z0-9_]*"


def read_name(value: str) -> str:
    """A name that can be used in `measurement.reading` and in expressions.

    Raises
    ------
    Misuse : it has other signs.
    """
    if not re.fullmatch(NAME_PATTERN, value):
        plain = re.sub(r"\W+", "_", value, flags=re.ASCII).strip("_") or "name"
        plain = plain if plain[0].isalpha() else f"n{plain}"
        raise Misuse(
            f"`{value}` is not a name",
            expected="a letter, then letters, digits and `_`",
            do=f"write `{plain}`, for example",
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


@dataclass(frozen=True, slots=True, eq=False)  # compared as one object: a schema has no hash
class ReadBy:
    """Annotation of a field whose value a function reads, and what it looks like in JSON Schema."""

    read: Callable[[Any], object]
    schema: Mapping[str, Any]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(refusing(self.read))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return dict(self.schema)


def read_line(value: object) -> str:
    """A text of one or more lines, not empty.

    Raises
    ------
    Misuse : it is none.
    """
    if not isinstance(value, str) or not value.strip():
        raise Misuse("not a text", expected="some words")
    return str(value).strip()


Line = Annotated[str, BeforeValidator(refusing(read_line))]


class _Kept:
    """Annotation of a text that keeps the place where it is, for what is found out about it later on."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        def read(value: object) -> str:
            read_line(value)
            return value if isinstance(value, str) else str(value)

        return core_schema.no_info_plain_validator_function(refusing(read))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {"type": "string"}


LocatedText = Annotated[str, _Kept()]
"""A text of one line; `place_of` gives its place."""


VersionOne = Annotated[Literal["1"], WithJsonSchema({"const": 1, "examples": [1]})]
"""The version of a grammar of which there is one."""


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
    read_line(value)
    return patterns.read_pattern(str(value)).text  # blanks at its ends count


Pattern = Annotated[str, BeforeValidator(refusing(read_pattern)), WithJsonSchema({"type": "string", "format": "regex"})]


def read_pattern_or_none(value: object) -> str:
    """A regular expression, or an empty text for none.

    Raises
    ------
    Misuse : neither.
    """
    return "" if isinstance(value, str) and not value else read_pattern(value)


PatternOrNone = Annotated[
    str, BeforeValidator(refusing(read_pattern_or_none)), WithJsonSchema({"type": "string", "format": "regex"})
]


def read_moment(value: object) -> datetime:
    """A date with a time of day and its offset from UTC, as in ISO 8601.

    Raises
    ------
    Misuse : it is none.
    """
    if isinstance(value, datetime):
        return value
    try:
        moment = datetime.fromisoformat(str(value).strip())
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise Misuse(
            f"`{value}` is not a date and time with an offset from UTC", expected="such as `2026-03-02T07:45+01:00`"
        )
    return moment


Moment = Annotated[
    datetime,
    BeforeValidator(refusing(read_moment)),
    WithJsonSchema({"type": "string", "format": "date-time", "examples": ["2026-03-02T07:45+01:00"]}),
]
