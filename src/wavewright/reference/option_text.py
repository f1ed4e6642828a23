"""How options of metrics and buses are written, in words."""

from __future__ import annotations

import typing
from typing import Annotated, Any


def default_text(default: object) -> str:
    """The default of an option."""
    if isinstance(default, bool):
        return str(default).lower()  # as YAML has it
    return "none" if default is None else f"{default:g}" if isinstance(default, float) else str(default)


def written_as(annotation: Any) -> str:
    """How an option of that type is written, in a recipe or on the command line."""
    from wavewright.analysis.parameters import Condition, ReferenceLevel, unit_and_sense
    from wavewright.buses.vocabulary import Spoken

    if annotation is ReferenceLevel:
        return "a level, `50 %` or `1.65 V`"
    if annotation is Condition:
        return "a condition, `falling 0.99 V` or `rising 70 %`"
    if typing.get_origin(annotation) is Annotated:
        kind, (unit, sense) = typing.get_args(annotation)[0], unit_and_sense(annotation)
        number = "a ratio, `5 %`" if unit == "1" else f"a quantity in {unit}" if unit else "a number"
        if kind is str:
            return {Spoken.ERROR: "an error word, `crc`", Spoken.SEARCH: "a search, `address = 0x48`"}.get(
                typing.get_args(annotation)[1], "a word"
            )
        words = number if kind is float else written_as(kind)
        is_level = kind is ReferenceLevel  # its bounds are in a unit that only the waveform has
        return f"{words}, {sense.in_words(unit)}" if sense.is_bounded and not is_level else words
    if typing.get_origin(annotation) is typing.Literal:
        return "one of " + ", ".join(map(str, typing.get_args(annotation)))
    branches = [branch for branch in typing.get_args(annotation) if branch is not type(None)]
    if branches:
        return " or ".join(dict.fromkeys(written_as(branch) for branch in branches))
    if annotation is Any:
        return "as said above"
    if hasattr(annotation, "__members__"):
        return "one of " + ", ".join(annotation)
    return {bool: "true or false", int: "a whole number", str: "a word"}.get(annotation, str(annotation))
