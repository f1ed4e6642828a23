"""`needs:`: the instruments that a recipe asks for, and whether its measurements stay within that."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from pydantic import Field

from wavewright.errors import Place
from wavewright.grammar.located_yaml import YamlMapping
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.placed_text import PlacedText
from wavewright.grammar.quantity_fields import Current, Frequency, Rate, StatedQuantity, Voltage
from wavewright.grammar.word_fields import Count
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.name_checks import NameChecks


@dataclass(frozen=True, slots=True)
class BenchName(PlacedText):
    """The name that the bench file gives an instrument, and where the recipe says it."""

    example: ClassVar[str] = "digitizer"


class RoleNeeds(GrammarModel):
    """What every role has."""

    instrument: BenchName | None = Field(
        default=None, description="its name in the bench file, where the bench has several with this role"
    )


class DigitizerNeeds(RoleNeeds):
    """What the recipe needs of the digitizer."""

    inputs: Count = Field(default=1, description="number of inputs")
    bandwidth: Frequency | None = Field(default=None, description="at least this bandwidth")
    rate: Rate | None = Field(default=None, description="lowest sampling rate that is enough, in Hz")
    points: Count | None = Field(default=None, description="at least this record length")


class SupplyNeeds(RoleNeeds):
    """What the recipe needs of the supply."""

    voltage: Voltage | None = Field(default=None, description="at least this voltage")
    current: Current | None = Field(default=None, description="at least this current")


class SourceNeeds(RoleNeeds):
    """What the recipe needs of the source."""

    frequency: Frequency | None = Field(default=None, description="at least up to this frequency")


class MeterNeeds(RoleNeeds):
    """What the recipe needs of the meter: that there is one."""


class Needs(GrammarModel):
    """The instruments that the recipe needs, by role; one that is used is needed, listed or not."""

    digitizer: DigitizerNeeds | None = Field(
        default=None, description="samples the channels", examples=[{"inputs": 2, "bandwidth": "50 MHz"}]
    )
    source: SourceNeeds | None = Field(default=None, description="makes signals", examples=[{"frequency": "25 MHz"}])
    supply: SupplyNeeds | None = Field(
        default=None, description="feeds the unit under test", examples=[{"voltage": "24 V", "current": "1 A"}]
    )
    meter: MeterNeeds | None = Field(
        default=None, description="measures voltage, current, resistance and temperature", examples=[{}]
    )


def check_needs(needs: Needs, measurement: Measurement, tree: YamlMapping, checks: NameChecks) -> None:
    """Note where a measurement uses more than `needs` asks for.

    Parameters
    ----------
    tree : of the measurement: knows the places of what is only a number in the model.
    """
    if needs.digitizer is not None and "inputs" in needs.digitizer.model_fields_set:
        most = needs.digitizer.inputs
        for name, channel in measurement.channels.items():
            if channel.input > most:
                where = tree.mapping_at("channels").mapping_at(name).value_place("input")
                checks.note_fault(
                    f"`{name}` is on input {channel.input}, and the recipe needs {most}",
                    where=where,
                    expected=f"an input up to {most}",
                    do=f"write `inputs: {channel.input}` after `needs`, or take a lower input",
                )
    for used, asked, key in _uses(needs, measurement):
        if used.value > asked.value:
            checks.note_fault(
                f"`{used}` is used, and the recipe needs `{key}: {asked}`",
                where=used.place or Place(""),
                expected=f"at most {asked}",
                do=f"write `{key}: {used}` after `needs`, or use less",
            )


def _uses(needs: Needs, measurement: Measurement) -> Iterator[tuple[StatedQuantity, StatedQuantity, str]]:
    """Every quantity that is used and that `needs` bounds: what is used, what is asked for, under which key."""
    pairs: list[tuple[StatedQuantity | None, StatedQuantity | None, str]] = []
    if needs.digitizer is not None:
        pairs.append((measurement.timebase.rate, needs.digitizer.rate, "rate"))
    for step in measurement.stimulus:
        if step.supply is not None and needs.supply is not None:
            pairs.append((step.supply.voltage, needs.supply.voltage, "voltage"))
            pairs.append((step.supply.current_limit, needs.supply.current, "current"))
        if step.source is not None and needs.source is not None:
            pairs.append((step.source.frequency, needs.source.frequency, "frequency"))
    for used, asked, key in pairs:
        if used is not None and asked is not None:
            yield used, asked, key
