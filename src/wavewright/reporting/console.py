"""Readings and outcomes as the console shows them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wavewright.quantities import show_quantity

if TYPE_CHECKING:
    from wavewright.analysis.reading import Reading

NOTHING = "–"


def shown_reading(reading: Reading) -> tuple[str, str, str, str, str]:
    """Value, count, minimum, maximum and remarks of a reading, as cells of a table."""
    if reading.value is None:
        return NOTHING, NOTHING, NOTHING, NOTHING, reading.reason
    known = reading.uncertainty

    def shown(value: float | None) -> str:
        return NOTHING if value is None else show_quantity(value, reading.unit, uncertainty=known)

    count = NOTHING if reading.count is None else str(reading.count)
    remarks = ", ".join(doubt.replace("_", " ") for doubt in reading.doubts)
    return shown(reading.value), count, shown(reading.minimum), shown(reading.maximum), remarks
