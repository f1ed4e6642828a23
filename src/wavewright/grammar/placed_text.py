"""Texts of a file that remember their place: what they name is looked up later, and a fault points to them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar, Self

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from wavewright.errors import Place
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.model_reading import refusing
from wavewright.grammar.word_fields import read_line


@dataclass(frozen=True, slots=True)
class PlacedText:
    """One line of text, and its place; two of them are equal where their texts are. `example` is for schemas."""

    text: str
    place: Place | None = field(default=None, compare=False)
    example: ClassVar[str] = ""

    def __str__(self) -> str:
        return self.text

    @classmethod
    def read(cls, value: Any) -> Self:
        """From what is in a file.

        Raises
        ------
        Misuse : no text.
        """
        return value if isinstance(value, cls) else cls(read_line(value), place_of(value))

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        written = core_schema.plain_serializer_function_ser_schema(str, return_schema=core_schema.str_schema())
        return core_schema.no_info_plain_validator_function(refusing(cls.read), serialization=written)

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {"type": "string", "examples": [cls.example]}
