"""Field types that hold a day of the calendar, written as ISO 8601-1:2019, 5.2.2.1 has it: `2026-11-29`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from wavewright.errors import Misuse
from wavewright.grammar.model_reading import refusing

EXPECTED = "year, month and day as ISO 8601 has them, such as `2026-11-29`"
_FORM = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def read_day(value: object) -> date:
    """A day of the calendar.

    Raises
    ------
    Misuse : none, or written in an order that can be read two ways.
    """
    if isinstance(value, date):
        return value
    text = str(value).strip()
    if not isinstance(value, str) or not _FORM.fullmatch(text):
        raise Misuse(f"`{value}` is not a day", expected=EXPECTED)
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Misuse(f"`{text}` is not in the calendar", expected=EXPECTED) from None


@dataclass(frozen=True, slots=True)
class _DayIn:
    """Annotation of a field that holds a day."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            refusing(read_day), serialization=core_schema.to_string_ser_schema()
        )

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {"type": "string", "format": "date", "examples": ["2026-11-29"]}


Day = Annotated[date, _DayIn()]
