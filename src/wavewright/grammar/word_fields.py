"""Field types for what is no quantity: counts, names, lines of text, single values, patterns, and what they accept."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, WithJsonSchema

from wavewright.buses.search import patterns
from wavewright.errors import Misuse
from wavewright.grammar.located_yaml import text_of
from wavewright.grammar.model_reading import refusing
from wavewright.quantities import read_quantity


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
