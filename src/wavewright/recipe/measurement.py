"""One measurement: a setup, some shots, some readings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Self

from pydantic import Field, PlainValidator, PrivateAttr, WithJsonSchema

from wavewright.recipe.acquisition import Channel, Entry, Timebase, Trigger
from wavewright.recipe.computation import Computation, ComputationEntry
from wavewright.recipe.fields import Count, Line, Name
from wavewright.recipe.stimulus import Step

_entries = {"type": "object", "additionalProperties": ComputationEntry.model_json_schema()}
Computations = Annotated[Mapping[str, Computation], PlainValidator(dict), WithJsonSchema(_entries)]  # read before


class Measurement(Entry):
    """One setup under one condition: what is connected and set, what starts a shot, and what is computed.

    A measurement with `for_each` is there once for every condition, and everything in it has the values of that one.
    """

    place: Line | None = Field(
        default=None, description="where the probes go; shown to the operator before the measurement"
    )
    channels: dict[Name, Channel] = Field(min_length=1, description="the signals, by name")
    timebase: Timebase = Field(description="how long is recorded, and how densely")
    trigger: Trigger = Field(default=Trigger(), description="what starts a shot; automatic if left out")
    shots: Count = Field(default=1, description="how many shots are taken")
    stimulus: tuple[Step, ...] = Field(default=(), description="what supply and source do, step by step")
    for_each: dict[Name, tuple[str, ...]] = Field(
        default_factory=dict, description="values that `$name` takes, one condition after another"
    )
    compute: Computations = Field(default_factory=dict, description="the readings, by name")

    _name: str = PrivateAttr(default="")
    _condition: dict[str, str] = PrivateAttr(default_factory=dict)

    def under(self, name: str, condition: Mapping[str, str]) -> Self:
        """The same measurement with its name and with what the names of `for_each` stand for."""
        named = self.model_copy()
        named._name, named._condition = name, dict(condition)
        return named

    @property
    def name(self) -> str:
        """The measurement's name in the recipe."""
        return self._name

    @property
    def condition(self) -> Mapping[str, str]:
        """What the names of `for_each` stand for here; empty without `for_each`."""
        return self._condition

    @property
    def label(self) -> str:
        """Name and condition: `coil_drive[duty=10 %]`; no two measurements of a recipe have the same."""
        inside = ", ".join(f"{name}={value}" for name, value in self._condition.items())
        return f"{self._name}[{inside}]" if inside else self._name

    @property
    def trigger_channel(self) -> str:
        """The channel that the trigger watches: the one after `on`, or the first."""
        return self.trigger.on or next(iter(self.channels))
