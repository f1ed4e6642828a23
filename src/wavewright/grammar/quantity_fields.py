"""Field types that hold a quantity with its unit, and what they accept.

A quantity arrives as `StatedQuantity`: the number in SI, and the text and the place that it came from, for messages
later on; or, where only the number matters, as a plain number.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.model_reading import refusing
from wavewright.quantities import Interval, read_interval, read_quantity
from wavewright.unit_symbols import EXAMPLES, MAY_BE_BARE, PLAIN_UNITS


@dataclass(frozen=True, slots=True)
class StatedQuantity:
    """A quantity as a file states it: `value` in `unit` (SI), the words, and where they are."""

    value: float
    unit: str
    text: str
    place: Place | None = field(default=None, compare=False)

    def __float__(self) -> float:
        return self.value

    def __str__(self) -> str:
        return self.text

    @classmethod
    def read(cls, text: str, *, unit: str, least: float = -math.inf, most: float = math.inf) -> StatedQuantity:
        """From the text of a file, or from that of a default.

        Raises
        ------
        Misuse : it is not such a quantity.
        """
        return cls(read_quantity(text, unit=unit, least=least, most=most).value, unit, str(text), place_of(text))


def fault_at(stated: StatedQuantity, what: str, *, expected: str = "", do: str = "") -> FileFault:
    """A fault of a quantity combined with others, at its place."""
    return FileFault(what, where=stated.place or "", expected=expected, do=do)


@dataclass(frozen=True, slots=True)
class QuantityIn:
    """Annotation of a field that holds a quantity: the unit it is in, what makes sense there, words instead of it.

    `Annotated[StatedQuantity, QuantityIn("V")]` keeps the words and their place, `Annotated[float, QuantityIn("V")]` is
    the plain number in that unit; `Annotated[StatedQuantity | Literal["auto"], QuantityIn("V", words=("auto",))]`.
    """

    unit: str
    example: str = ""
    least: float = -math.inf
    most: float = math.inf
    words: tuple[str, ...] = ()

    def read(self, value: Any) -> StatedQuantity | str:
        """What the field holds, from what is in the file.

        Raises
        ------
        Misuse : neither a quantity in the unit nor one of the words.
        """
        if isinstance(value, StatedQuantity):
            return value
        text = self.text_of(value)
        if text in self.words:
            return str(text)
        try:
            return StatedQuantity.read(text, unit=self.unit, least=self.least, most=self.most)
        except Misuse as fault:
            if not self.words:
                raise
            raise Misuse(fault.what, expected=fault.expected + self._or_words, do=fault.do) from fault

    def text_of(self, value: Any) -> str:
        """The text in place of the quantity.

        Raises
        ------
        Misuse : there is none.
        """
        if isinstance(value, str):
            return value
        shown = {True: "`true`", False: "`false`", None: "nothing"}.get(value) if not _is_nest(value) else "a list"
        raise Misuse(f"{shown or f'`{value}`'} where a quantity is required", expected=self.expected)

    def read_number(self, value: Any) -> float:
        """The number that is in the file, in the unit; a number that comes from no file stays as it is.

        Raises
        ------
        Misuse : no quantity in the unit.
        """
        if isinstance(value, float | int) and not isinstance(value, bool):
            return float(value)
        return float(self.read(value))

    @property
    def expected(self) -> str:
        """What may be here, in words."""
        amount, _ = EXAMPLES.get(self.unit, (f"a quantity in {self.unit}", ""))
        return f"{amount}, such as `{self._example}`{self._or_words}"

    @property
    def _example(self) -> str:
        return self.example or EXAMPLES.get(self.unit, ("", f"1 {self.unit}"))[1]

    @property
    def _or_words(self) -> str:
        return "".join(f", or `{word}`" for word in self.words)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        if source is float:
            return core_schema.no_info_plain_validator_function(refusing(self.read_number))
        return core_schema.no_info_plain_validator_function(
            refusing(self.read), serialization=core_schema.to_string_ser_schema()
        )

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        # where no unit need be written, an editor takes what is there for a number
        kind = ["string", "number"] if self.unit in PLAIN_UNITS | MAY_BE_BARE | {"1", "x"} else "string"
        return {"type": kind, "title": self.expected, "examples": [*self.words, self._example]}


@dataclass(frozen=True, slots=True)
class ToleranceIn:
    """Annotation of an `Interval` field: a quantity with a tolerance, or without one, and then both ends are the same.

    `Annotated[Interval, ToleranceIn("Hz", "340 kHz ± 2 %")]`.
    """

    unit: str
    example: str

    def read(self, value: Any) -> Interval:
        """What the field holds, from what is in the file.

        Raises
        ------
        Misuse : no quantity in the unit, with or without a tolerance.
        """
        if isinstance(value, Interval):
            return value
        text = QuantityIn(self.unit, self.example).text_of(value)
        if "±" in text or ".." in text:
            return read_interval(text, unit=self.unit)
        number = read_quantity(text, unit=self.unit).value
        return Interval(number, number, self.unit)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(refusing(self.read))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {"type": "string", "title": "a quantity, with its tolerance or without", "examples": [self.example]}


def _is_nest(value: object) -> bool:
    return isinstance(value, Mapping | list | tuple)


Voltage = Annotated[StatedQuantity, QuantityIn("V")]
PositiveVoltage = Annotated[StatedQuantity, QuantityIn("V", least=1e-9, most=1e6)]
Current = Annotated[StatedQuantity, QuantityIn("A", least=0)]
Resistance = Annotated[StatedQuantity, QuantityIn("ohm", least=0)]
Capacitance = Annotated[StatedQuantity, QuantityIn("F", least=0)]
Length = Annotated[StatedQuantity, QuantityIn("m", "150 mm", least=0, most=10)]
Time = Annotated[StatedQuantity, QuantityIn("s", least=0, most=1e6)]
SignedTime = Annotated[StatedQuantity, QuantityIn("s")]
Frequency = Annotated[StatedQuantity, QuantityIn("Hz", least=1e-3, most=1e12)]
Rate = Annotated[StatedQuantity, QuantityIn("Hz", least=1, most=1e12)]
Ratio = Annotated[StatedQuantity, QuantityIn("1")]
Fraction = Annotated[StatedQuantity, QuantityIn("1", least=0, most=1)]
Factor = Annotated[StatedQuantity, QuantityIn("x", least=1e-6, most=1e6)]
Angle = Annotated[StatedQuantity, QuantityIn("deg", least=-360, most=360)]
VoltageOrAuto = Annotated[StatedQuantity | Literal["auto"], QuantityIn("V", words=("auto",))]
RangeOrAuto = Annotated[StatedQuantity | Literal["auto"], QuantityIn("V", least=1e-9, most=1e6, words=("auto",))]

# Plain numbers in that unit, for what profiles and benches state.
Volts = Annotated[float, QuantityIn("V", "8 V")]
Amperes = Annotated[float, QuantityIn("A", "1.5 A")]
Seconds = Annotated[float, QuantityIn("s", "20 ms")]
Hertz = Annotated[float, QuantityIn("Hz", "100 MHz")]
Ohms = Annotated[float, QuantityIn("ohm", "1 Mohm")]
Farads = Annotated[float, QuantityIn("F", "12 pF", least=0)]
Celsius = Annotated[float, QuantityIn("degC", "23 degC", least=-273.15)]
Metres = Annotated[float, QuantityIn("m", "150 mm", least=0, most=10)]
Henries = Annotated[float, QuantityIn("H", "22 uH")]
Baud = Annotated[float, QuantityIn("Bd", "19200")]
BitRate = Annotated[float, QuantityIn("bit/s", "500 kbit/s")]
Share = Annotated[float, QuantityIn("1", "1.5 %")]
Number = Annotated[float, QuantityIn("", "10M")]
