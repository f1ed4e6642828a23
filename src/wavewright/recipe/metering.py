"""`meter:` and `supply:`: what these instruments read while the setup is in place, and what is acceptable of it.

`meter: {supply_current: {quantity: dc_current, limit: …}}`, `supply: {drawn: {quantity: current, limit: …}}`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import ClassVar

from pydantic import Field

from wavewright.errors import Misuse, Place
from wavewright.grammar.located_yaml import YamlMapping, YamlScalar
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.word_fields import Count, Line
from wavewright.judgement.decision_rules import DecisionRule
from wavewright.judgement.joining import EACH, find_over
from wavewright.judgement.limits import Limit
from wavewright.quantities import read_quantity
from wavewright.recipe.judging import ABOUT_JUDGE, JUDGE_EXAMPLES, Judging, check_guarded
from wavewright.recipe.name_checks import NameChecks


class Reader(StrEnum):
    """An instrument that has values of its own; also the key of its block."""

    METER = "meter"
    SUPPLY = "supply"


class MeterQuantity(StrEnum):
    """What a meter reads."""

    DC_VOLTAGE = "dc_voltage"
    AC_VOLTAGE = "ac_voltage"
    DC_CURRENT = "dc_current"
    AC_CURRENT = "ac_current"
    RESISTANCE = "resistance"
    TEMPERATURE = "temperature"


class SupplyQuantity(StrEnum):
    """What a supply measures of its own output."""

    VOLTAGE = "voltage"
    CURRENT = "current"


UNITS: Mapping[MeterQuantity | SupplyQuantity, str] = MappingProxyType(
    {
        MeterQuantity.DC_VOLTAGE: "V",
        MeterQuantity.AC_VOLTAGE: "V",
        MeterQuantity.DC_CURRENT: "A",
        MeterQuantity.AC_CURRENT: "A",
        MeterQuantity.RESISTANCE: "ohm",
        MeterQuantity.TEMPERATURE: "degC",
        SupplyQuantity.VOLTAGE: "V",
        SupplyQuantity.CURRENT: "A",
    }
)


class ReadEntry(GrammarModel):
    """What the readings of all instruments have in common."""

    meant: ClassVar[Mapping[str, str]] = MappingProxyType(dict.fromkeys(("limits", "spec"), "limit"))

    limit: Line | None = Field(
        default=None, description="what is acceptable, as in `compute`", examples=["at most 300 mA"]
    )
    over: Line | None = Field(
        default=None, description="how shots are joined, as in `compute`", examples=["each", "mean"]
    )
    judge: Judging | None = Field(default=None, description=ABOUT_JUDGE, examples=JUDGE_EXAMPLES)
    about: Line | None = Field(default=None, description="what it is for", examples=["current of the whole board"])


class MeterEntry(ReadEntry):
    """One reading of the meter, taken after every shot."""

    quantity: MeterQuantity = Field(
        description="dc_voltage, ac_voltage, dc_current, ac_current, resistance or temperature"
    )
    range: Line | None = Field(
        default=None, description="full scale, with its unit; the meter finds its own if left out", examples=["10 V"]
    )
    cycles: Count | None = Field(default=None, description="aperture, in periods of the mains")


class SupplyEntry(ReadEntry):
    """One measurement that the supply makes of its own output, taken after every shot."""

    quantity: SupplyQuantity = Field(description="voltage at the terminals, or current of the output")


@dataclass(frozen=True, slots=True)
class Metering:
    """One reading of an instrument, checked.

    Parameters
    ----------
    by : the instrument.
    unit : of the quantity; range : in it, None where the instrument finds its own.
    judge : the decision rule of this limit; that of the measurement where it has none.
    """

    name: str
    quantity: MeterQuantity | SupplyQuantity
    unit: str
    by: Reader = Reader.METER
    range: float | None = None
    cycles: int | None = None
    limit: Limit | None = None
    over: str = EACH
    about: str = ""
    place: Place | None = field(default=None, compare=False)
    judge: DecisionRule | None = None

    @property
    def kept_as(self) -> str:
        """The name of the setting that it is in a capture."""
        return f"{self.by}.{self.name}"

    @property
    def metric(self) -> str:
        """What the outcome calls the quantity; that of the supply says whose it is."""
        return str(self.quantity) if self.by is Reader.METER else f"{self.by}_{self.quantity}"


ENTRIES: Mapping[Reader, type[MeterEntry] | type[SupplyEntry]] = MappingProxyType(
    {Reader.METER: MeterEntry, Reader.SUPPLY: SupplyEntry}
)
FORMS: Mapping[Reader, str] = MappingProxyType(
    {Reader.METER: "{quantity: dc_voltage, limit: …}", Reader.SUPPLY: "{quantity: current, limit: …}"}
)


def read_meterings(tree: YamlMapping, checks: NameChecks, by: Reader) -> dict[str, Metering]:
    """The block of an instrument's readings in a measurement."""
    found: dict[str, Metering] = {}
    others = ["compute", *(other for other in Reader if other is not by)]
    for name, block in checks.entries(tree, by, form=FORMS[by]):
        before = len(checks.faults)
        if taken := next((other for other in others if name in tree.mapping_at(other)), None):
            checks.note_fault(f"`{name}` is a reading of `{taken}` too", where=name.place, expected="a name of its own")
        entry = checks.validated(block, ENTRIES[by], by, str(name))
        if entry is None:
            continue
        metering = _read(name, block, entry, by, checks)
        if len(checks.faults) == before:
            found[str(name)] = metering
    return found


def _read(
    name: YamlScalar, block: YamlMapping, entry: MeterEntry | SupplyEntry, by: Reader, checks: NameChecks
) -> Metering:
    unit = UNITS[entry.quantity]
    full_scale: float | None = None
    limit: Limit | None = None
    meter = entry if isinstance(entry, MeterEntry) else None
    with checks.faults_placed_at(block.value_place("range")):
        if meter and meter.range and entry.quantity is MeterQuantity.TEMPERATURE:
            raise Misuse("a range of temperatures", expected="none: a meter has one range for each sensor")
        full_scale = read_quantity(meter.range, unit=unit, least=0).value if meter and meter.range else None
    with checks.faults_placed_at(block.value_place("limit")):
        limit = None if entry.limit is None else Limit.read(entry.limit, unit=unit)
    with checks.faults_placed_at(block.value_place("over")):
        find_over(entry.over or EACH)
    if entry.judge is not None:
        with checks.faults_placed_at(block.value_place("judge")):
            check_guarded(entry.judge, limit, unit=unit)
    return Metering(
        name=str(name),
        quantity=entry.quantity,
        unit=unit,
        by=by,
        range=full_scale,
        cycles=meter.cycles if meter else None,
        limit=limit,
        over=entry.over or EACH,
        about=entry.about or "",
        place=name.place,
        judge=entry.judge,
    )
