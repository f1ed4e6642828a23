"""`needs:`: the instruments that a recipe asks for, and whether its measurements stay within that."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import Field

from wavewright.errors import Place
from wavewright.recipe.acquisition import Entry
from wavewright.recipe.fields import Count, Current, Frequency, Rate, Stated, Voltage
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.places import Block
from wavewright.recipe.scope import Scope


class DigitizerNeeds(Entry):
    """What the recipe needs of the digitizer."""

    inputs: Count = Field(default=1, description="number of inputs")
    bandwidth: Frequency | None = Field(default=None, description="at least this bandwidth")
    rate: Rate | None = Field(default=None, description="at least so many samples a second, in Hz")
    points: Count | None = Field(default=None, description="at least this record length")


class SupplyNeeds(Entry):
    """What the recipe needs of the supply."""

    voltage: Voltage | None = Field(default=None, description="at least this voltage")
    current: Current | None = Field(default=None, description="at least this current")


class SourceNeeds(Entry):
    """What the recipe needs of the source."""

    frequency: Frequency | None = Field(default=None, description="at least up to this frequency")


class MeterNeeds(Entry):
    """What the recipe needs of the meter: that there is one."""


class Needs(Entry):
    """The instruments that the recipe needs, by role; one that is used is needed, listed or not."""

    digitizer: DigitizerNeeds | None = Field(default=None, description="samples the channels")
    source: SourceNeeds | None = Field(default=None, description="makes signals")
    supply: SupplyNeeds | None = Field(default=None, description="feeds the unit under test")
    meter: MeterNeeds | None = Field(default=None, description="measures voltage, current and resistance")


def check_needs(needs: Needs, measurement: Measurement, tree: Block, scope: Scope) -> None:
    """Note where a measurement uses more than `needs` asks for.

    Parameters
    ----------
    tree : of the measurement: knows the places of what is only a number in the model.
    """
    if needs.digitizer is not None and "inputs" in needs.digitizer.model_fields_set:
        most = needs.digitizer.inputs
        for name, channel in measurement.channels.items():
            if channel.input > most:
                where = tree.block("channels").block(name).value_place("input")
                scope.note(
                    f"`{name}` is on input {channel.input}, and the recipe needs {most}",
                    where=where,
                    expected=f"an input up to {most}",
                    do=f"write `inputs: {channel.input}` after `needs`, or take a lower input",
                )
    for used, asked, key in _uses(needs, measurement):
        if used.value > asked.value:
            scope.note(
                f"`{used}` is used, and the recipe needs `{key}: {asked}`",
                where=used.place or Place(""),
                expected=f"at most {asked}",
                do=f"write `{key}: {used}` after `needs`, or use less",
            )


def _uses(needs: Needs, measurement: Measurement) -> Iterator[tuple[Stated, Stated, str]]:
    """Every quantity that is used and that `needs` bounds: what is used, what is asked for, under which key."""
    pairs: list[tuple[Stated | None, Stated | None, str]] = []
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
