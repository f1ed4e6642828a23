"""What a measurement sets on the digitizer: channels, time base, trigger."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from wavewright.analysis.parameters import Slope
from wavewright.errors import FileFault, Misuse
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal
from wavewright.grammar.quantity_fields import (
    Factor,
    Frequency,
    Length,
    QuantityIn,
    RangeOrAuto,
    Rate,
    Resistance,
    StatedQuantity,
    Time,
    VoltageOrAuto,
    fault_at,
)
from wavewright.grammar.word_fields import Count, Name


class Coupling(StrEnum):
    """What of the input reaches the converter."""

    DC = "dc"
    AC = "ac"
    GROUND = "ground"


class TriggerMode(StrEnum):
    """What happens if the trigger does not come: `auto` takes the shot anyhow, `normal` waits."""

    AUTO = "auto"
    NORMAL = "normal"


class Channel(GrammarModel):
    """One signal: which input it is on, and how that input is set; voltages are those at the probe tip."""

    input: Count = Field(description="number of the digitizer's input, from 1")
    coupling: Coupling = Field(default=Coupling.DC, description="dc, ac or ground")
    range: RangeOrAuto = Field(default="auto", description="full scale, peak to peak, at the probe tip; or auto")
    offset: VoltageOrAuto | None = Field(
        default=None,
        description="voltage in the middle of the range; 0 V, or auto with an automatic range, if left out",
    )
    probe: Factor | None = Field(
        default=None, description="division of the probe: 1x, 10x; that of the bench if left out"
    )
    bandwidth_limit: Frequency | None = Field(default=None, description="corner of the input's low-pass filter")
    impedance: Resistance | None = Field(default=None, description="input impedance: 50 ohm, 1 Mohm")
    source_impedance: Resistance | None = Field(
        default=None,
        description="impedance of the point that the probe touches; how much the probe loads it is then known",
    )
    ground_lead: Length | None = Field(
        default=None, description="length of the probe's ground connection; that of the bench if left out"
    )


class Timebase(GrammarModel):
    """How long is recorded and how densely: a span with a rate or a number of points; or a number of cycles."""

    span: Annotated[StatedQuantity, QuantityIn("s", least=1e-12, most=1e6)] | None = Field(
        default=None, description="length of the record"
    )
    rate: Rate | None = Field(default=None, description="samples per second, in Hz")
    points: Count | None = Field(default=None, description="number of samples, 80k say")
    before_trigger: Time | None = Field(
        default=None, description="the part of the span before the trigger; 8 samples, to show the edge, if left out"
    )
    cycles: Count | None = Field(
        default=None, description="automatic time base: number of periods of the signal in the record"
    )

    @model_validator(mode="after")
    def _says_one_thing(self) -> Self:
        if faults := list(self._faults()):
            raise refusal(*faults)
        return self

    def _faults(self) -> Iterator[FileFault | Misuse]:
        ways = "`span` with `rate` or `points`, or `cycles`"
        if self.cycles is not None:
            for key in ("span", "rate", "before_trigger"):
                if getattr(self, key) is not None:
                    yield fault_at(getattr(self, key), f"`{key}` beside `cycles`", expected=ways)
            return
        if self.span is None:
            yield Misuse("the time base has no span", expected=ways)
            return
        if (self.rate is None) == (self.points is None):
            both = "both `rate` and `points`" if self.rate else "neither `rate` nor `points`"
            yield fault_at(self.span, f"`span` with {both}", expected=ways)
        elif self.samples < 2:
            number = "1 sample" if self.samples == 1 else f"{self.samples} samples"
            yield fault_at(self.span, f"`span: {self.span}` holds {number}", expected="at least 2")
        if self.before_trigger is not None and self.before_trigger.value >= self.span.value:
            what = f"`before_trigger: {self.before_trigger}` is as long as the span"
            yield fault_at(self.before_trigger, what, expected=f"less than {self.span}")

    @property
    def samples(self) -> int:
        """The number of samples that the span asks for; 0 if it is not fixed."""
        if self.points is not None:
            return self.points
        return round(self.span.value * self.rate.value) if self.span and self.rate else 0


class Trigger(GrammarModel):
    """What starts a shot."""

    mode: TriggerMode = Field(
        default=TriggerMode.AUTO, description="normal waits for the trigger; auto takes the shot anyhow after a while"
    )
    on: Name | None = Field(
        default=None, description="the channel to watch; the only one if left out", examples=["reset"]
    )
    edge: Slope = Field(default=Slope.RISING, description="rising, falling or either")
    level: VoltageOrAuto = Field(default="auto", description="voltage to be crossed, at the probe tip; or auto")
    hysteresis: Annotated[StatedQuantity, QuantityIn("V", least=0)] | None = Field(
        default=None, description="how far the signal must go back before the level counts again"
    )
    holdoff: Time | None = Field(default=None, description="time after a trigger during which the next is ignored")
    timeout: Annotated[StatedQuantity, QuantityIn("s", least=1e-3, most=86400)] | None = Field(
        default=None, description="longest wait for a trigger; 5 s if left out"
    )
