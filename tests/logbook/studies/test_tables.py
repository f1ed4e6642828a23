"""What a study is made of: how many readings of a unit are enough."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from wavewright.errors import Misuse
from wavewright.logbook.queries import Point
from wavewright.logbook.studies.tables import truth_table


def points(serial: str, *values: float) -> list[Point]:
    return [Point("run", datetime.now(UTC), serial, value, "pass", None, None) for value in values]


def test_two_readings_of_each_unit_are_enough() -> None:
    readings = [*points("b", 2.1, 2.2), *points("a", 1.0, 1.1)]
    assert truth_table(readings, {"b": 2.0, "a": 1.0}) == ([[1.0, 1.1], [2.1, 2.2]], [1.0, 2.0])


def test_one_reading_is_too_few() -> None:
    with pytest.raises(Misuse, match="fewer than two readings of a"):
        truth_table([*points("b", 2.1, 2.2), *points("a", 1.0)], {"b": 2.0, "a": 1.0})
