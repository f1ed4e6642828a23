"""What a measurement sets on supplies and sources, step by step."""

from __future__ import annotations

from enum import StrEnum
from typing import Self

from pydantic import Field, model_validator

from wavewright.errors import Misuse
from wavewright.recipe.acquisition import Entry
from wavewright.recipe.fields import Angle, Current, Fraction, Frequency, PositiveVoltage, Time, Voltage, fault_at
from wavewright.recipe.model_reading import refusal


class Switch(StrEnum):
    """An output."""

    ON = "on"
    OFF = "off"


class Shape(StrEnum):
    """What a source puts out."""

    SINE = "sine"
    SQUARE = "square"
    PULSE = "pulse"
    RAMP = "ramp"
    DC = "dc"
    NOISE = "noise"


class SupplyStep(Entry):
    """Settings of the supply; what is left out stays as it is."""

    voltage: Voltage | None = Field(default=None, description="voltage of the output")
    current_limit: Current | None = Field(default=None, description="current that the output does not exceed")
    voltage_protection: Voltage | None = Field(default=None, description="voltage at which the output trips")
    current_protection: Current | None = Field(default=None, description="current at which the output trips")
    output: Switch | None = Field(default=None, description="on or off")


class SourceStep(Entry):
    """Settings of the source; what is left out stays as it is."""

    function: Shape | None = Field(default=None, description="sine, square, pulse, ramp, dc or noise")
    frequency: Frequency | None = Field(default=None, description="repetition frequency")
    amplitude: PositiveVoltage | None = Field(default=None, description="peak to peak")
    offset: Voltage | None = Field(default=None, description="mean of the two extremes")
    high: Voltage | None = Field(default=None, description="upper extreme, instead of amplitude and offset")
    low: Voltage | None = Field(default=None, description="lower extreme, instead of amplitude and offset")
    duty_factor: Fraction | None = Field(default=None, description="of square and pulse: high time over period")
    phase: Angle | None = Field(default=None, description="phase at the start")
    output: Switch | None = Field(default=None, description="on or off")

    @model_validator(mode="after")
    def _says_one_thing(self) -> Self:
        faults = []
        ends = [level for level in (self.high, self.low) if level is not None]
        middle = [level for level in (self.amplitude, self.offset) if level is not None]
        if ends and middle:
            expected = "`amplitude` and `offset`, or `high` and `low`"
            faults.append(fault_at(ends[0], f"`{ends[0]}` is given in two ways", expected=expected))
        if self.high and self.low and self.high.value <= self.low.value:
            faults.append(
                fault_at(self.high, f"`high: {self.high}` is not above low", expected=f"more than {self.low}")
            )
        if faults:
            raise refusal(*faults)
        return self


class Step(Entry):
    """One step: a supply or a source is set, then perhaps a wait."""

    supply: SupplyStep | None = Field(default=None, description="settings of the supply")
    source: SourceStep | None = Field(default=None, description="settings of the source")
    then_wait: Time | None = Field(default=None, description="time to wait after the step")

    @model_validator(mode="after")
    def _sets_one_instrument(self) -> Self:
        if (self.supply is None) == (self.source is None):
            what = "a step for supply and source" if self.supply else "a step that sets nothing"
            raise refusal(Misuse(what, expected="one of `supply` or `source` in each step"))
        return self
