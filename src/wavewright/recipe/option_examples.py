"""Examples of how options of metrics, buses and layers are written, out of what their annotations say."""

from __future__ import annotations

import math
import typing
from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import Annotated, Any, Literal

from wavewright.analysis.catalogue import Parameter
from wavewright.analysis.parameters import Condition, ReferenceLevel, unit_and_sense
from wavewright.analysis.sense import Sense
from wavewright.buses.vocabulary import Spoken
from wavewright.quantities import show_quantity
from wavewright.unit_symbols import EXAMPLES

_IN_WORDS_OF_A_BUS = {Spoken.ERROR: "parity", Spoken.SEARCH: "address = 0x48"}
_MASK = [["100 kHz", "2 mV"], ["10 MHz", "0.5 mV"]]  # the one option that is a list: a mask of a spectrum


def option_examples(parameter: Parameter) -> list[Any]:
    """How the option may be written in a recipe: its words, or its default, or a value that makes sense."""
    return list(dict.fromkeys(_of(parameter.annotation, parameter.default))) if _is_single(parameter) else [_MASK]


def _is_single(parameter: Parameter) -> bool:
    return typing.get_origin(parameter.annotation) is not Sequence


def _of(annotation: Any, default: Any) -> Iterator[Any]:
    branches = [branch for branch in typing.get_args(annotation) if branch is not type(None)]
    origin = typing.get_origin(annotation)
    if annotation is ReferenceLevel:
        yield str(default) if isinstance(default, ReferenceLevel) else "50 %"
    elif annotation is Condition:
        yield "falling 0.99 V"
    elif annotation is bool:
        yield from (True, False)
    elif origin is Literal:
        yield from typing.get_args(annotation)
    elif isinstance(annotation, type) and issubclass(annotation, StrEnum):
        yield from map(str, annotation)
    elif origin is Annotated:
        yield from _annotated(annotation, default)
    elif branches:
        for branch in branches:
            yield from _of(branch, default)


def _annotated(annotation: Any, default: Any) -> Iterator[Any]:
    kind, marks = typing.get_args(annotation)[0], typing.get_args(annotation)[1:]
    if kind is str:
        yield from (_IN_WORDS_OF_A_BUS[mark] for mark in marks if isinstance(mark, Spoken))
        return
    if kind is ReferenceLevel:
        yield "5 %"  # of an amplitude: a hysteresis
        return
    unit, sense = unit_and_sense(annotation)
    number = default if isinstance(default, int | float) and default else _sensible(sense)
    if kind is int or not unit:
        yield int(number) if float(number).is_integer() else number
    else:
        yield show_quantity(float(number), unit) if number == default else EXAMPLES[unit][1]


def _sensible(sense: Sense) -> float:
    """A number within the bounds."""
    return next(iter(sense.among), sense.least if math.isfinite(sense.least) else 1.0)
