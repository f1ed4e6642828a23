"""Shots that several processes evaluate: their order, the bound on what is held, and what a process cannot do."""

from __future__ import annotations

import os
import pickle
import time
from collections.abc import Sequence
from contextlib import closing
from typing import Any, overload

import numpy as np
import pytest

from wavewright.running import companions
from wavewright.running import shots_ahead as ahead
from wavewright.running.companions import Companions
from wavewright.running.shots_ahead import MOST_AHEAD, shots_ahead
from wavewright.waveform import Capture, Waveform

HERE = os.getpid()
Found = list[tuple[int, tuple[int, int] | None]]


class Kept(Sequence[Capture]):
    """Shots that are made when they are read, of which those that this process has read are noted."""

    def __init__(self, count: int) -> None:
        self._count, self.read = count, list[int]()

    def __len__(self) -> int:
        return self._count

    @overload
    def __getitem__(self, index: int) -> Capture: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Capture]: ...
    def __getitem__(self, index: int | slice) -> Any:
        assert isinstance(index, int)
        self.read.append(index)
        return Capture({"a": Waveform(np.array([index]), interval=1.0)})


class KeptApart(Kept):
    """The same, which another process can read."""

    def apart(self) -> Sequence[Capture]:
        return self


def number_of(capture: Capture) -> int:
    return int(capture["a"].codes[0])


def square(capture: Capture) -> tuple[int, int]:
    number = number_of(capture)
    if number == 5:
        raise ValueError("not five")
    return number * number, os.getpid()


def square_or_end(capture: Capture) -> tuple[int, int]:
    if number_of(capture) >= 4 and os.getpid() != HERE:
        os._exit(1)
    return number_of(capture) ** 2, os.getpid()


@pytest.fixture(autouse=True)
def processes_are_worth_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ahead, "WORTH", 0.0)
    monkeypatch.setattr(ahead, "WORTH_A_COPY", 0.0)


@pytest.fixture(params=["copy", "interpreter"])
def kind(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """How companions are started, whatever threads this process of tests may have."""
    for module in (ahead, companions):
        monkeypatch.setattr(module, "can_split", lambda: request.param == "copy")
    return str(request.param)


def found_in(captures: Sequence[Capture], find: Any, *, processes: int) -> Found:
    with closing(shots_ahead(captures, find, processes=processes, count=len(captures))) as shots:
        return [(one.number, one.found) for one in shots]


@pytest.mark.parametrize("captures", [Kept, KeptApart])
@pytest.mark.parametrize("processes", [2, 3])
def test_shots_come_in_their_order(kind: str, captures: type[Kept], processes: int) -> None:
    found = found_in(captures(12), square, processes=processes)
    assert [number for number, _ in found] == list(range(12))
    # the first one is evaluated here; what fails is left to whoever asks
    assert {number for number, one in found if one is None} >= {0, 5}
    for number, one in found:
        assert one is None or one[0] == number**2


def test_companions_read_what_they_evaluate(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    handed_over: list[object] = []
    real = Companions.give

    def noted(self: Companions[Any], number: int, item: object) -> bool:
        handed_over.append(item)
        return real(self, number, item)

    monkeypatch.setattr(Companions, "give", noted)
    captures = KeptApart(9)
    found = dict(found_in(captures, square, processes=2))
    elsewhere = {number for number, one in found.items() if one is not None and one[1] != HERE}
    assert elsewhere
    assert not elsewhere & set(captures.read)
    assert all(isinstance(one, int) for one in handed_over)


def test_shots_that_only_this_process_can_read_are_handed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (ahead, companions):
        monkeypatch.setattr(module, "can_split", lambda: False)
    found = dict(found_in(Kept(9), square, processes=2))
    assert any(one is not None and one[1] != HERE for one in found.values())


def test_few_shots_are_evaluated_before_their_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    captures, asked = Kept(200), list[int]()

    def is_slow(self: Companions[Any], number: int) -> bool:
        asked.append(number)
        return len(asked) < 100

    monkeypatch.setattr(ahead, "SLICE", 0.0)
    monkeypatch.setattr(Companions, "__enter__", lambda self: self)
    monkeypatch.setattr(Companions, "has_room", lambda self, ahead: number_given(self) < 2)
    monkeypatch.setattr(Companions, "give", lambda self, number, item: self._found.setdefault(number, (0, 0)) == (0, 0))
    monkeypatch.setattr(Companions, "is_at", is_slow)
    with closing(shots_ahead(captures, square, processes=2, count=200)) as shots:
        assert [one.number for one in (next(shots), next(shots))] == [0, 1]
    assert len(asked) == 100
    assert max(captures.read) == 2 * MOST_AHEAD


def number_given(companions: Companions[Any]) -> int:
    return len(companions._found)


def test_after_a_process_has_been_ended_the_rest_is_found_here(kind: str) -> None:
    found = found_in(KeptApart(12), square_or_end, processes=2)
    assert [number for number, _ in found] == list(range(12))
    assert all(one is None or one[0] == number**2 for number, one in found)
    assert all(one is None or one[1] == HERE for number, one in found if number >= 4)


def test_one_core_starts_no_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ahead, "Companions", None)
    assert [one for _, one in found_in(Kept(4), square, processes=1)] == [None] * 4


def test_short_work_starts_no_process(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ahead, "WORTH", 1e9)
    monkeypatch.setattr(ahead, "WORTH_A_COPY", 1e9)
    monkeypatch.setattr(ahead, "Companions", None)
    assert [one for _, one in found_in(Kept(4), square, processes=2)] == [None] * 4


class ReadInSecondsOfAClock(KeptApart):
    """The same, and each takes a second to be read."""

    def __init__(self, count: int, clock: list[float]) -> None:
        super().__init__(count)
        self._clock = clock

    def __getitem__(self, index: Any) -> Any:
        self._clock[0] += 1.0
        return super().__getitem__(index)


def test_shots_that_take_long_to_be_read_are_begun_elsewhere_beside_the_first(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, given = [0.0], list[int]()
    real = Companions.give
    monkeypatch.setattr(time, "perf_counter", lambda: clock[0])
    monkeypatch.setattr(ahead, "WORTH", 8.0)
    monkeypatch.setattr(ahead, "WORTH_A_COPY", 8.0)
    monkeypatch.setattr(Companions, "give", lambda self, number, item: given.append(number) or real(self, number, item))  # type: ignore[func-returns-value]
    captures = ReadInSecondsOfAClock(9, clock)
    with closing(shots_ahead(captures, square, processes=2, count=9)) as shots:
        first = next(shots)
        assert (first.number, first.found) == (0, None)
        assert number_of(first.capture) == 0
        assert given == [1, 2]
        assert captures.read == [0]  # once
    with closing(shots_ahead(captures, square, processes=2, count=8)) as shots:  # a shot less takes too short
        assert number_of(next(shots).capture) == 0
    assert given == [1, 2]


def test_whoever_breaks_off_leaves_no_process(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[Companions[Any]] = []
    real = Companions.__enter__
    monkeypatch.setattr(Companions, "__enter__", lambda self: started.append(self) or real(self))  # type: ignore[func-returns-value]
    shots = shots_ahead(Kept(9), square, processes=2, count=9)
    for _ in range(3):
        next(shots)
    assert len(started[0].processes) == 1
    shots.close()
    assert not started[0].processes


def test_kept_shots_are_brought_to_another_process_without_their_codes() -> None:
    assert len(pickle.dumps(KeptApart(9).apart())) < 500
