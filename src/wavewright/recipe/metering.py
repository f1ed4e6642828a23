"""`meter:`: what the meter reads while the setup stands, `supply_current: {quantity: dc_current, limit: …}`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from pydantic import Field

from wavewright.errors import Place
from wavewright.judgement.joining import EACH, find_over
from wavewright.judgement.limits import Limit
from wavewright.quantities import read_quantity
from wavewright.recipe.acquisition import Entry
from wavewright.recipe.fields import Count, Line
from wavewright.recipe.places import Block, Word
from wavewright.recipe.scope import Scope

FORM = "{quantity: dc_voltage, limit: …}"


class Quantity(StrEnum):
    """What a meter reads."""

    DC_VOLTAGE = "dc_voltage"
    AC_VOLTAGE = "ac_voltage"
    DC_CURRENT = "dc_current"
    AC_CURRENT = "ac_current"
    RESISTANCE = "resistance"


UNITS: Mapping[Quantity, str] = MappingProxyType(
    {
        Quantity.DC_VOLTAGE: "V",
        Quantity.AC_VOLTAGE: "V",
        Quantity.DC_CURRENT: "A",
        Quantity.AC_CURRENT: "A",
        Quantity.RESISTANCE: "ohm",
    }
)


class MeterEntry(Entry):
    """One reading of the meter, taken after every shot."""

    quantity: Quantity = Field(description="dc_voltage, ac_voltage, dc_current, ac_current or resistance")
    range: Line | None = Field(
        default=None, description="full scale, with its unit; the meter finds its own if left out"
    )
    cycles: Count | None = Field(default=None, description="aperture, in periods of the mains")
    limit: Line | None = Field(default=None, description="what is acceptable, as in `compute`")
    over: Line | None = Field(default=None, description="how shots are joined, as in `compute`")
    about: Line | None = Field(default=None, description="what it is for")


@dataclass(frozen=True, slots=True)
class Metering:
    """One reading of the meter, checked.

    Parameters
    ----------
    unit : of the quantity; range : in it, None where the meter finds its own.
    """

    name: str
    quantity: Quantity
    unit: str
    range: float | None = None
    cycles: int | None = None
    limit: Limit | None = None
    over: str = EACH
    about: str = ""
    place: Place | None = field(default=None, compare=False)


def read_meterings(tree: Block, scope: Scope) -> dict[str, Metering]:
    """The `meter:` block of a measurement."""
    found: dict[str, Metering] = {}
    for name, block in scope.entries(tree, "meter", form=FORM):
        before = len(scope.faults)
        if name in tree.block("compute"):
            scope.note(f"`{name}` is a reading of `compute` already", where=name.place, expected="a name of its own")
        entry = scope.validated(block, MeterEntry, "meter", str(name))
        if entry is None:
            continue
        metering = _read(name, block, entry, scope)
        if len(scope.faults) == before:
            found[str(name)] = metering
    return found


def _read(name: Word, block: Block, entry: MeterEntry, scope: Scope) -> Metering:
    unit = UNITS[entry.quantity]
    full_scale: float | None = None
    limit: Limit | None = None
    with scope.placed(block.value_place("range")):
        full_scale = None if entry.range is None else read_quantity(entry.range, unit=unit, least=0).value
    with scope.placed(block.value_place("limit")):
        limit = None if entry.limit is None else Limit.read(entry.limit, unit=unit)
    with scope.placed(block.value_place("over")):
        find_over(entry.over or EACH)
    return Metering(
        name=str(name),
        quantity=entry.quantity,
        unit=unit,
        range=full_scale,
        cycles=entry.cycles,
        limit=limit,
        over=entry.over or EACH,
        about=entry.about or "",
        place=name.place,
    )
