"""What a measurement sets on supplies and sources, step by step."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated, ClassVar, Literal, Self

from pydantic import (
    BeforeValidator,
    Discriminator,
    Field,
    Tag,
    model_validator,
)

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import YamlMapping
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal, refusing
from wavewright.grammar.placed_text import PlacedText
from wavewright.grammar.quantity_fields import (
    Angle,
    Current,
    Fraction,
    Frequency,
    PositiveVoltage,
    Time,
    Voltage,
    fault_at,
)
from wavewright.grammar.word_fields import Count, Value
from wavewright.recipe.name_checks import NameChecks


class Switch(StrEnum):
    """An output."""

    ON = "on"
    OFF = "off"


class Shape(StrEnum):
    """What a source puts out."""

    SINE = "sine"
    SQUARE = "square"
    TRIANGLE = "triangle"
    RAMP = "ramp"
    PULSE = "pulse"
    DC = "dc"
    NOISE = "noise"
    ARBITRARY = "arbitrary"


class Starts(StrEnum):
    """When a burst begins: as the last act of the step that orders it, or with a later step, `start: burst`."""

    AT_ONCE = "at_once"
    WHEN_TOLD = "when_told"


@dataclass(frozen=True, slots=True)
class StoredFile(PlacedText):
    """A file that a recipe names: the words, and where they are. A relative path begins at the recipe's folder."""

    example: ClassVar[str] = "sag.csv"

    @property
    def path(self) -> Path:
        """Where the file lies."""
        return (Path(self.place.file).parent if self.place else Path()) / self.text


class SupplyStep(GrammarModel):
    """Settings of the supply; what is left out stays as it is."""

    voltage: Voltage | None = Field(default=None, description="voltage of the output")
    current_limit: Current | None = Field(default=None, description="current that the output does not exceed")
    voltage_protection: Voltage | None = Field(default=None, description="voltage at which the output trips")
    current_protection: Current | None = Field(default=None, description="current at which the output trips")
    trip: Literal["allow"] | None = Field(
        default=None,
        description="allow: a trip of the protections of this step is what is tested, and is told; else it makes the "
        "measurement an error",
    )
    output: Switch | None = Field(default=None, description="on or off")

    @model_validator(mode="after")
    def _has_what_trips(self) -> Self:
        if self.trip is not None and self.voltage_protection is None and self.current_protection is None:
            raise refusal(
                Misuse(
                    "`trip` in a step that sets no protection", expected="`voltage_protection` or `current_protection`"
                )
            )
        return self


class BurstEntry(GrammarModel):
    """A number of whole periods; the output is at rest before and after them."""

    cycles: Count = Field(description="how many periods")
    starts: Starts = Field(
        default=Starts.AT_ONCE,
        description="at_once: as the last act of this step; when_told: with a later step, `start: burst`",
    )


def _read_off(value: object) -> object:
    if value != "off":
        raise Misuse(f"`burst` is `{value}`", expected="`off`, or such as `{cycles: 3}`")
    return value


# Which of the two it is decides what is said of a fault in it.
Burst = Annotated[
    Annotated[BurstEntry, Tag("entry")] | Annotated[Literal["off"], BeforeValidator(refusing(_read_off)), Tag("word")],
    Discriminator(lambda value: "word" if isinstance(value, str) else "entry"),
]


class SourceStep(GrammarModel):
    """Settings of the source; what is left out stays as it is."""

    function: Shape | None = Field(
        default=None, description="sine, square, triangle, ramp, pulse, dc, noise or arbitrary"
    )
    frequency: Frequency | None = Field(
        default=None, description="repetition frequency; that of a stored waveform, once in its length, if left out"
    )
    amplitude: PositiveVoltage | None = Field(default=None, description="peak to peak")
    offset: Voltage | None = Field(default=None, description="mean of the two extremes")
    high: Voltage | None = Field(default=None, description="upper extreme, instead of amplitude and offset")
    low: Voltage | None = Field(default=None, description="lower extreme, instead of amplitude and offset")
    duty_factor: Fraction | None = Field(default=None, description="of pulse: high time over period")
    symmetry: Fraction | None = Field(default=None, description="of ramp: rising time over period; 50 % is a triangle")
    phase: Angle | None = Field(default=None, description="phase at the start")
    waveform: StoredFile | None = Field(
        default=None,
        description="of arbitrary: a stored waveform, one period; its own levels hold where the step names none",
    )
    channel: Value | None = Field(
        default=None,
        description="which channel of the stored waveform, by name or number; the first if left out",
        examples=["coil", "1"],
    )
    burst: Burst | None = Field(default=None, description="number of periods to give; `off`: without an end again")
    start: Literal["burst"] | None = Field(default=None, description="burst: starts the burst that was set up before")
    output: Switch | None = Field(default=None, description="on or off")

    @model_validator(mode="after")
    def _says_one_thing(self) -> Self:
        if faults := [*self._level_faults(), *self._shape_faults(), *self._burst_faults()]:
            raise refusal(*faults)
        return self

    def _level_faults(self) -> Iterator[FileFault]:
        ends = [level for level in (self.high, self.low) if level is not None]
        middle = [level for level in (self.amplitude, self.offset) if level is not None]
        if ends and middle:
            expected = "`amplitude` and `offset`, or `high` and `low`"
            yield fault_at(ends[0], f"`{ends[0]}` is given in two ways", expected=expected)
        elif len(ends) == 1:
            given, other = ("high", "low") if self.high else ("low", "high")
            yield fault_at(ends[0], f"`{given}` without `{other}`", expected="both, or `amplitude` and `offset`")
        if self.high and self.low and self.high.value <= self.low.value:
            yield fault_at(self.high, f"`high: {self.high}` is not above low", expected=f"more than {self.low}")

    def _shape_faults(self) -> Iterator[FileFault | Misuse]:
        """What belongs to one function is given with another."""
        function = self.function
        for key, owner in (("duty_factor", Shape.PULSE), ("symmetry", Shape.RAMP)):
            stated = getattr(self, key)
            if stated is not None and function not in (None, owner):
                what = f"`{key}` of a source whose function is {function}"
                yield fault_at(stated, what, expected=f"`function: {owner}`", do=f"take `{key}` out, or the function")
        if self.waveform is not None and function is not Shape.ARBITRARY:
            where = self.waveform.place or ""
            what = f"`waveform: {self.waveform}` without `function: arbitrary`"
            yield FileFault(what, where=where, expected="both in one step")
        if function is Shape.ARBITRARY and self.waveform is None:
            yield Misuse("`function: arbitrary` without `waveform`", expected="`waveform:` with a stored waveform")
        if self.channel is not None and self.waveform is None:
            yield Misuse("`channel` without `waveform`", expected="`waveform:` with the file that has the channel")

    def _burst_faults(self) -> Iterator[Misuse]:
        if self.start is not None and self.burst is not None:
            yield Misuse(
                "`start` and `burst` in one step",
                expected="`burst` with `starts: at_once`, or two steps",
            )
        if self.starts_burst and (self.output is Switch.OFF or self.burst_cycles == 0):
            yield Misuse(
                "a burst that starts while the output is off", expected="`starts: when_told`, or the output on"
            )
        if isinstance(self.burst, BurstEntry) and self.function in (Shape.DC, Shape.NOISE):
            yield Misuse(f"a burst of `{self.function}`, which has no periods", expected="a periodic function")

    @property
    def burst_cycles(self) -> int | None:
        """Periods of a burst; 0: no bursts any more; None: as before."""
        return self.burst.cycles if isinstance(self.burst, BurstEntry) else 0 if self.burst else None

    @property
    def starts_burst(self) -> bool:
        """Whether the step's last act gives a burst."""
        at_once = isinstance(self.burst, BurstEntry) and self.burst.starts is Starts.AT_ONCE
        return at_once or self.start is not None


class StimulusStep(GrammarModel):
    """One step: a supply or a source is set, then perhaps a wait."""

    supply: SupplyStep | None = Field(
        default=None,
        description="settings of the supply",
        examples=[{"voltage": "24 V", "current_limit": "1 A", "output": "on"}],
    )
    source: SourceStep | None = Field(
        default=None,
        description="settings of the source",
        examples=[{"function": "pulse", "frequency": "1.25 kHz", "duty_factor": "40 %"}],
    )
    then_wait: Time | None = Field(default=None, description="time to wait after the step")

    @model_validator(mode="after")
    def _sets_one_instrument(self) -> Self:
        if (self.supply is None) == (self.source is None):
            what = "a step for supply and source" if self.supply else "a step that sets nothing"
            raise refusal(Misuse(what, expected="one of `supply` or `source` in each step"))
        return self


def check_bursts(tree: YamlMapping, checks: NameChecks) -> None:
    """Note each step that starts a burst which no step above it has ordered, and each burst that cannot be seen."""
    is_ordered, is_searching = False, _is_searching(tree)
    for step in tree.list_at("stimulus"):
        source = step.mapping_at("source") if isinstance(step, YamlMapping) else YamlMapping(tree.place)
        if is_searching and source.mapping_at("burst"):
            checks.note_fault(
                "a burst ends before an automatic range, time base or level has been found",
                where=source.key_place("burst"),
                expected="`range` of each channel, `span` and `level` as quantities",
            )
        if "burst" in source:
            is_ordered = source.scalar_at("burst") != "off"
        elif source.scalar_at("start") == "burst" and not is_ordered:
            checks.note_fault(
                "`start: burst`, and no burst was set up",
                where=source.value_place("start"),
                expected="a step above it with `burst: {cycles: …, starts: when_told}`",
            )


def _is_searching(tree: YamlMapping) -> bool:
    """Whether the digitizer's settings are found on the bench, in a measurement whose stimulus causes the trigger."""
    trigger, channels = tree.mapping_at("trigger"), tree.mapping_at("channels")
    stated = [trigger.scalar_at("level"), *(channels.mapping_at(name).scalar_at("range") for name in channels)]
    is_automatic = "cycles" in tree.mapping_at("timebase") or any(word in (None, "auto") for word in stated)
    return trigger.scalar_at("mode") == "normal" and is_automatic
