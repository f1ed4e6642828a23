"""Quantities as profiles and bench files state them, `8 V`, and as plain numbers in that unit inside."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from wavewright.quantities import read_quantity
from wavewright.recipe.model_reading import refusing


@dataclass(frozen=True, slots=True)
class QuantityIn:
    """What a number in a profile is written in: `8 V`; inside it is a plain number in that unit."""

    unit: str
    example: str

    def read(self, value: Any) -> float:
        """The number that a text states; a number stays as it is."""
        if isinstance(value, float | int) and not isinstance(value, bool):
            return float(value)
        return read_quantity(str(value), unit=self.unit).value

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_before_validator_function(refusing(self.read), handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {"type": "string", "examples": [self.example]}


Volts = Annotated[float, QuantityIn("V", "8 V")]
Amperes = Annotated[float, QuantityIn("A", "1.5 A")]
Seconds = Annotated[float, QuantityIn("s", "20 ms")]
Hertz = Annotated[float, QuantityIn("Hz", "100 MHz")]
Ohms = Annotated[float, QuantityIn("ohm", "1 Mohm")]
Ratio = Annotated[float, QuantityIn("1", "1.5 %")]
Count = Annotated[float, QuantityIn("", "10M")]
