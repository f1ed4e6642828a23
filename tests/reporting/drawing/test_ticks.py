from __future__ import annotations

import pytest

from wavewright.reporting.drawing.ticks import ticks_of
from wavewright.reporting.picture import CLOCK, Axis

DAY = 86_400.0
START = 1_768_469_400.0  # 2026-01-15 09:30:00 UTC, by `date -u -d @1768469400`

CASES = [
    # axis, most, labels, title; round steps of 1, 2 and 5 are common practice, no source
    (Axis("rail", "V", -0.031, 0.033), 6, ("-30", "-20", "-10", "0", "10", "20", "30"), "rail, mV"),
    (Axis("time", "s", 0.0, 2e-3), 8, ("0", "0.5", "1.0", "1.5", "2.0"), "time, ms"),
    (Axis("rail", "V", 3.2693, 3.2697), 4, ("3.2693", "3.2694", "3.2695", "3.2696", "3.2697"), "rail, V"),
    (Axis("duty", "1", 0.39, 0.41), 4, ("39.0", "39.5", "40.0", "40.5", "41.0"), "duty, %"),
    (Axis("runs", "count", 0.0, 3.2), 8, ("0", "1", "2", "3"), "runs"),
    (Axis("power", "V^2", 0.0, 0.004), 4, ("0", "0.001", "0.002", "0.003", "0.004"), "power, V^2"),
    (Axis("level", "V", 1e-6, 1e-2, is_log=True), 8, ("1 uV", "10 uV", "100 uV", "1 mV", "10 mV"), "level"),
    (Axis("cause", "", -0.5, 1.5, names=("ripple", "reset")), 8, ("ripple", "reset"), "cause"),
    (Axis("UTC", CLOCK, START, START + 45), 3, ("09:30:00\n2026-01-15", "09:30:15", "09:30:30", "09:30:45"), "UTC"),
    (Axis("UTC", CLOCK, START, START + DAY), 4, ("12:00\n2026-01-15", "18:00", "00:00\n2026-01-16", "06:00"), "UTC"),
    (Axis("UTC", CLOCK, START, START + 200 * DAY), 4, ("2026-03-01", "2026-05-01", "2026-07-01"), "UTC"),
]  # fmt: skip


@pytest.mark.parametrize("axis, most, labels, title", CASES)
def test_ticks_are_at_round_numbers_and_the_title_says_the_unit(
    axis: Axis, most: int, labels: tuple[str, ...], title: str
) -> None:
    found = ticks_of(axis, most=most)
    assert (found.labels, found.title) == (labels, title)
    assert all(axis.low - 1e-9 <= place <= axis.high + 1e-9 for place in found.places)
