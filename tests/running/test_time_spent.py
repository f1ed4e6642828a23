"""Where the seconds of a run go, on a clock that only people and pauses move, and on the real one."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from tests.running.conftest import POWERED
from wavewright.instruments.spent_time import SpentTime, TimePart
from wavewright.running.outcome import Outcome
from wavewright.running.time_spent import BETWEEN, time_line, time_rows

Run = Callable[..., Outcome]
TWICE = POWERED + "    shots: 2\n" + POWERED.partition("measurements:\n")[2].replace("powered:", "again:")


class Bench:
    """A person who takes 8 s to confirm, on a clock that stands still for everything but people and pauses."""

    def __init__(self) -> None:
        self.now = 0.0

    def elapsed(self) -> float:
        return self.now

    def pause(self, seconds: float) -> None:
        self.now += seconds

    def confirm(self, text: str) -> None:
        self.now += 8.0

    def say(self, text: str) -> None:
        pass


def test_people_and_pauses_are_told_apart_and_nothing_else_passes(run_text: Run) -> None:
    slow = Bench()
    found = run_text(POWERED, desk=slow, pause=slow.pause, account=SpentTime(slow.elapsed))
    assert found.times[TimePart.PEOPLE] == 8.0
    assert found.times[TimePart.PAUSES] == pytest.approx(0.1)
    assert sum(found.times.values()) == pytest.approx(slow.now) == pytest.approx(8.1)
    (one,) = found.measurements
    assert one.seconds == pytest.approx(sum(one.times.values())) == pytest.approx(8.1)


def test_the_parts_sum_to_the_whole_and_the_rows_to_the_parts(run_text: Run) -> None:
    begin = time.monotonic()
    found = run_text(TWICE)
    took = time.monotonic() - begin
    whole = sum(found.times.values())
    assert 0 < whole <= took
    assert list(found.times) == list(TimePart)
    assert min(found.times.values()) >= 0
    # an exchange with an instrument, a record and its evaluation cannot take no time at all
    assert all(
        found.times[part] > 0 for part in (TimePart.TRIGGER, TimePart.ANSWERS, TimePart.TRANSFER, TimePart.EVALUATION)
    )
    rows = dict(time_rows(found))
    assert list(rows) == ["powered", "again", BETWEEN]
    for part in TimePart:
        assert sum(times[part] for times in rows.values()) == pytest.approx(found.times[part])
    assert [one.seconds for one in found.measurements] == [
        pytest.approx(sum(one.times.values())) for one in found.measurements
    ]


def test_a_measurement_that_ends_with_an_error_says_its_times_too(run_text: Run) -> None:
    never = POWERED.replace(
        "mode: auto, level: 3 V", "mode: normal, on: rail, edge: rising, level: 5 V, timeout: 50 ms"
    )
    (one,) = run_text(never).measurements
    assert "no trigger" in one.error
    assert one.times[TimePart.TRIGGER] > 0
    assert one.seconds == pytest.approx(sum(one.times.values()))


def test_the_line_names_every_part() -> None:
    assert time_line({}) == ""
    assert time_line({"people": 120.0, "rest": 0.25, "novel": 1.0}) == (
        "121.2 s: waiting for people 120.0 s, rest 0.2 s, novel 1.0 s"
    )
