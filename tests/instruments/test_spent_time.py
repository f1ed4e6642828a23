"""The account of where time goes, on a clock that moves only when it is told to.

Sums are exact: every time is a multiple of 1/8 s, which binary numbers hold.
"""

from __future__ import annotations

from contextlib import suppress

import pytest

from wavewright.instruments.spent_time import SpentTime, TimePart, difference


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now

    def passes(self, seconds: float) -> None:
        self.now += seconds


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_each_instant_belongs_to_the_innermost_part_and_the_parts_sum_to_the_whole(clock: Clock) -> None:
    times = SpentTime(clock)
    clock.passes(0.5)
    with times.on(TimePart.EVALUATION):
        clock.passes(1.0)
        with times.on(TimePart.ANSWERS):
            clock.passes(0.125)
        clock.passes(2.0)
    with times.on(TimePart.PEOPLE):
        clock.passes(8.0)
    spent = times.so_far()
    assert {part: seconds for part, seconds in spent.items() if seconds} == {
        "answers": 0.125,
        "evaluation": 3.0,
        "people": 8.0,
        "rest": 0.5,
    }
    assert list(spent) == list(TimePart)
    assert sum(spent.values()) == clock.now - 1000.0


@pytest.mark.parametrize("outer", [TimePart.TRIGGER, TimePart.TRANSFER])
def test_a_query_that_waits_for_the_trigger_or_brings_a_record_is_not_an_answer(clock: Clock, outer: TimePart) -> None:
    times = SpentTime(clock)
    with times.on(outer), times.on(TimePart.ANSWERS):
        clock.passes(0.25)
    assert times.so_far()[outer] == 0.25


def test_a_part_ends_with_its_block_also_after_a_fault(clock: Clock) -> None:
    times = SpentTime(clock)

    def wait() -> None:
        with times.on(TimePart.TRIGGER):
            clock.passes(0.25)
            raise RuntimeError("cable pulled")

    with pytest.raises(RuntimeError):
        wait()
    clock.passes(0.5)
    assert (times.so_far()[TimePart.TRIGGER], times.so_far()[TimePart.REST]) == (0.25, 0.5)


@pytest.mark.parametrize("reading", range(5))
def test_a_signal_while_the_clock_is_read_counts_nothing_twice(clock: Clock, reading: int) -> None:
    readings = iter(range(100))

    def interrupted() -> float:
        if next(readings) == reading + 1:  # the first one begins the account
            raise KeyboardInterrupt
        return clock()

    times = SpentTime(interrupted)

    def work() -> None:
        clock.passes(0.5)
        with times.on(TimePart.EVALUATION):
            clock.passes(1.0)
            with times.on(TimePart.ANSWERS):
                clock.passes(2.0)
            clock.passes(4.0)

    with suppress(KeyboardInterrupt):
        work()
    with suppress(KeyboardInterrupt):
        times.so_far()
    spent = times.so_far()
    assert sum(spent.values()) == clock.now - 1000.0
    assert min(spent.values()) >= 0


def test_difference_of_two_moments_is_what_lay_between(clock: Clock) -> None:
    times = SpentTime(clock)
    clock.passes(1.0)
    before = times.so_far()
    with times.on(TimePart.PAUSES):
        clock.passes(0.25)
    clock.passes(0.125)
    spent = difference(times.so_far(), before)
    assert (spent[TimePart.PAUSES], spent[TimePart.REST], sum(spent.values())) == (0.25, 0.125, 0.375)
