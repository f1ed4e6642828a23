"""Shots that several processes evaluate: their order, the bound on what is held, and what a process cannot do."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from typing import Any

import numpy as np
import pytest

from wavewright.running import shots_ahead as ahead
from wavewright.running.shots_ahead import shots_ahead
from wavewright.waveform import Capture, Waveform

HERE = os.getpid()


def captures(count: int, pulled: list[int]) -> Iterator[Capture]:
    for number in range(count):
        pulled.append(number)
        yield Capture({"a": Waveform(np.array([number]), interval=1.0)})


def number_of(capture: Capture) -> int:
    return int(capture["a"].codes[0])


def square(capture: Capture) -> tuple[int, int]:
    number = number_of(capture)
    if number == 5:
        raise ValueError("not five")
    return number * number, os.getpid()


def square_or_end(capture: Capture) -> int:
    if number_of(capture) == 4 and multiprocessing.parent_process() is not None:
        os._exit(1)
    return number_of(capture) ** 2


@pytest.fixture(autouse=True)
def processes_are_worth_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ahead, "WORTH", 0.0)


def test_captures_come_in_their_order_and_few_are_held() -> None:
    pulled: list[int] = []
    found, seen = {}, []
    with closing(shots_ahead(captures(9, pulled), square, processes=2, count=9)) as shots:
        for capture, one in shots:
            seen.append(number_of(capture))
            assert len(pulled) - len(seen) <= 2  # beside the one that is worked on
            found[number_of(capture)] = one
    assert seen == list(range(9))
    # the first one shows how long it takes; what fails is left to whoever asks
    assert {number for number, one in found.items() if one is None} == {0, 5}
    for number, one in found.items():
        assert one is None or (one[0] == number**2 and one[1] != HERE)


def test_after_a_process_has_been_ended_the_rest_is_left_to_whoever_asks() -> None:
    found = [
        (number_of(one), value) for one, value in shots_ahead(captures(9, []), square_or_end, processes=2, count=9)
    ]
    assert [number for number, _ in found] == list(range(9))
    assert dict(found)[4] is None
    assert {value for number, value in found if number > 6} == {None}  # the others were handed over before
    assert all(value in (None, number**2) for number, value in found)


def test_one_core_starts_no_process() -> None:
    assert [one for _, one in shots_ahead(captures(4, []), square, processes=1, count=4)] == [None] * 4


def test_short_work_starts_no_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ahead, "WORTH", 1e9)
    assert [one for _, one in shots_ahead(captures(4, []), square, processes=2, count=4)] == [None] * 4


def test_whoever_breaks_off_leaves_no_process() -> None:
    before = set(multiprocessing.active_children())
    shots = shots_ahead(captures(9, []), square, processes=2, count=9)
    for _ in range(3):
        next(shots)
    assert set(multiprocessing.active_children()) - before
    shots.close()
    assert not set(multiprocessing.active_children()) - before


def test_a_signal_waits_until_the_processes_are_started(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[int] = []
    real = ProcessPoolExecutor.submit

    def interrupted(pool: ProcessPoolExecutor, *work: Any) -> Any:
        signal.raise_signal(signal.SIGINT)
        found = real(pool, *work)
        started.append(1)
        return found

    monkeypatch.setattr(ProcessPoolExecutor, "submit", interrupted)
    before = set(multiprocessing.active_children())
    before_signal = signal.signal(signal.SIGINT, signal.default_int_handler)
    shots = shots_ahead(captures(9, []), square, processes=2, count=9)
    try:
        next(shots)
        with pytest.raises(KeyboardInterrupt):
            next(shots)
    finally:
        signal.signal(signal.SIGINT, before_signal)
    assert started == [1]
    assert not set(multiprocessing.active_children()) - before
