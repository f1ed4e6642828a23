"""What a study is made of: how many readings of a unit are enough."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from wavewright.errors import Misuse
from wavewright.logbook.queries import Point
from wavewright.logbook.studies.tables import day_table, truth_table


def points(serial: str, *values: float) -> list[Point]:
    return [Point("run", datetime.now(UTC), serial, value, "pass", None, None) for value in values]


def test_two_readings_of_each_unit_are_enough() -> None:
    readings = [*points("b", 2.1, 2.2), *points("a", 1.0, 1.1)]
    assert truth_table(readings, {"b": 2.0, "a": 1.0}) == ([[1.0, 1.1], [2.1, 2.2]], [1.0, 2.0])


def test_one_reading_is_too_few() -> None:
    with pytest.raises(Misuse, match="fewer than two readings of a"):
        truth_table([*points("b", 2.1, 2.2), *points("a", 1.0)], {"b": 2.0, "a": 1.0})


def test_days_have_as_many_readings_each_as_the_poorest_that_has_two() -> None:
    first = datetime(2026, 11, 1, 12, tzinfo=UTC)
    runs = [(0, 1.0), (0, 1.1), (0, 1.2), (1, 5.0), (2, 2.0), (2, 2.1)]
    readings = [
        Point("run", first + timedelta(days=day, minutes=number), "a", value, "pass", None, None)
        for number, (day, value) in enumerate(runs)
    ]
    assert day_table(readings) == {"2026-11-01": [1.0, 1.1], "2026-11-03": [2.0, 2.1]}
