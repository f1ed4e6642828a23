"""Units on the axes of pictures: with a prefix of the SI where the unit takes one, else with a power of ten."""

from __future__ import annotations

from typing import Any

from wavewright.unit_symbols import takes_prefix

NUMBERS = frozenset({"", "1", "count", "number"})


def value_axis(unit: str) -> dict[str, Any]:
    """What an axis needs to show values in a unit; a ratio or a number has none after it."""
    if unit in NUMBERS:
        return {"exponentformat": "SI", "minexponent": 0}
    if takes_prefix(unit):
        return {"exponentformat": "SI", "minexponent": 0, "ticksuffix": unit}
    return {"exponentformat": "e", "minexponent": 3, "ticksuffix": f" {unit}"}


def hover_value(axis: str, unit: str, *, digits: int) -> str:
    """The value under the pointer, as a template of the drawing library."""
    if takes_prefix(unit):
        return f"%{{{axis}:.{digits}s}}{unit}"
    return f"%{{{axis}:.{digits}g}}" + ("" if unit in NUMBERS else f" {unit}")
