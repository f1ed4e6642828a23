"""Rows of a simulated instrument's command table: what each setting takes, and what `*RST` makes of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Annotated, Literal, Self

from pydantic import Field, WithJsonSchema, model_validator

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal
from wavewright.grammar.word_fields import CountFrom, Line, LocatedText, Value
from wavewright.quantities import read_quantity
from wavewright.simulation.scpi.parameter_types import (
    BooleanParameter,
    NumericParameter,
    ParameterType,
    TextParameter,
    WordParameter,
)
from wavewright.simulation.scpi.parameter_types import Value as SettingValue

Amount = Annotated[LocatedText, WithJsonSchema({"type": ["string", "number"]})]  # its unit is in another key


class SettingEntry(GrammarModel):
    """One setting of a simulated instrument; what it takes decides what else is said of it."""

    header: Line = Field(
        description="header of the setting as SCPI-99 prints it: `[…]` may be left out, `<n>` takes a number",
        examples=["SENSe<n>:VOLTage[:DC]:RANGe:PTPeak"],
    )
    takes: str = Field(description="what the setting's parameter is", examples=["number"])
    each: Literal["input"] | None = Field(default=None, description="input: every input has a value of its own")

    def kind(self) -> tuple[ParameterType, SettingValue]:
        """What is taken, and the value after `*RST`."""
        raise NotImplementedError


class NumberEntry(SettingEntry):
    """A setting that takes a number."""

    unit: str = Field(default="", description="SI unit of the setting; none if left out", examples=["V"])
    suffix: str | None = Field(
        default=None, description="unit as it is written on the wire, where that is another", examples=["PCT"]
    )
    steps: tuple[Amount, ...] = Field(
        default=(),
        description="the values that exist, the smallest first; any value if left out",
        examples=[["100 mV", "1 V", "10 V"]],
    )
    least: Amount | None = Field(
        default=None, description="smallest value; the first of the steps if left out", examples=["1 mV"]
    )
    most: Amount | None = Field(
        default=None, description="largest value; the last of the steps if left out", examples=["40 V"]
    )
    reset: Amount = Field(description="value after *RST", examples=["8 V"])
    rounding: Literal["up", "down", "nearest"] = Field(
        default="up", description="which of the steps a value between two of them becomes"
    )
    resolution: Amount | None = Field(
        default=None, description="distance of the values that exist", examples=["100 uV"]
    )
    beyond: Literal["refused", "limited"] = Field(
        default="refused", description="whether a value outside the limits is refused or taken as the limit"
    )
    digits: Annotated[int, CountFrom(0, 17)] = Field(
        default=0, description="significant digits that the instrument keeps; 0: all of them", examples=[4]
    )

    @model_validator(mode="after")
    def _is_in_its_unit(self) -> Self:
        if faults := list(self._faults()):
            raise refusal(*faults)
        return self

    def _faults(self) -> Iterator[FileFault | Misuse]:
        for text in (*self.steps, self.least, self.most, self.reset, self.resolution):
            try:
                self._number(text)
            except Misuse as fault:
                yield FileFault(fault.what, where=place_of(text) or "", expected=fault.expected, do=fault.do)
        if not self.steps:
            for key in ("least", "most"):
                if getattr(self, key) is None:
                    yield Misuse(f"`{key}` is missing", expected=f"`{key}:`, or `steps:` with the values that exist")

    def _number(self, text: str | None) -> float:
        return 0.0 if text is None else read_quantity(text, unit=self.unit).value

    def kind(self) -> tuple[ParameterType, SettingValue]:
        """What is taken, and the value after `*RST`."""
        steps, reset = tuple(map(self._number, self.steps)), self._number(self.reset)
        kind = NumericParameter(
            unit=self.unit.upper() if self.suffix is None else self.suffix,
            minimum=steps[0] if self.least is None else self._number(self.least),
            maximum=steps[-1] if self.most is None else self._number(self.most),
            default=reset,
            steps=steps,
            rounding=self.rounding,
            resolution=self._number(self.resolution),
            is_integer=self.takes == "whole number",
            fuzz=self.beyond == "limited",
            digits=self.digits,
        )
        return kind, reset


class BooleanEntry(SettingEntry):
    """A setting that is on or off."""

    reset: Value = Field(description="state after *RST: ON or OFF", examples=["OFF"])

    def kind(self) -> tuple[ParameterType, SettingValue]:
        """What is taken, and the state after `*RST`."""
        is_on = self.reset.lower() in ("on", "true", "1")
        return BooleanParameter(is_on), is_on


class WordEntry(SettingEntry):
    """A setting that takes one of some words."""

    words: tuple[Line, ...] = Field(
        default=(),
        description="the words, with what may be left out in small letters",
        examples=[["DC", "AC", "GROund"]],
    )
    reset: Line = Field(description="word after *RST, in its short form", examples=["DC"])
    most: Annotated[int, CountFrom(0, 1000)] = Field(
        default=1, description="largest number after a word with `<n>`", examples=[4]
    )

    def kind(self) -> tuple[ParameterType, SettingValue]:
        """What is taken, and the word after `*RST`."""
        return WordParameter(self.words, default=self.reset, most=self.most), self.reset


class TextEntry(SettingEntry):
    """A setting that takes a text in quotes."""

    reset: str = Field(default="", description="text after *RST; empty if left out", examples=["ready"])
    most: Annotated[int, CountFrom(0, 1_000_000)] = Field(
        default=255, description="longest text, in characters", examples=["4k"]
    )

    def kind(self) -> tuple[ParameterType, SettingValue]:
        """What is taken, and the text after `*RST`."""
        return TextParameter(str(self.reset), self.most), str(self.reset)


TAKES: Mapping[str, type[SettingEntry]] = MappingProxyType(
    {
        "number": NumberEntry,
        "whole number": NumberEntry,
        "Boolean": BooleanEntry,
        "word": WordEntry,
        "text": TextEntry,
    }
)
"""What a setting can take, and the entry that says more of it."""
