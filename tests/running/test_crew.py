"""Threads that work on parts of one shot: the order, the first fault, and an end at once."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable

import pytest

from wavewright.running.crew import core_count, joined_parts, side_by_side

PATIENCE = 30.0  # s; only a defect lets anybody wait so long


class Spoilt(Exception):
    """What goes wrong in these tests."""


def failing(number: int) -> Callable[[], int]:
    def fail() -> int:
        raise Spoilt(number)

    return fail


@pytest.mark.parametrize("cores", [1, 2, 3, 8])
def test_what_the_tasks_return_comes_in_their_order(cores: int) -> None:
    tasks: list[Callable[[], int]] = [lambda number=number: 10 * number for number in range(7)]  # type: ignore[misc]
    assert side_by_side(tasks, [[0, 3], [1], [2, 5, 6], [4]], cores=cores) == [0, 10, 20, 30, 40, 50, 60]


def test_parts_are_worked_on_at_the_same_time_and_tasks_of_a_part_by_one_thread() -> None:
    both = threading.Barrier(2)

    def meet() -> int:
        both.wait(PATIENCE)  # nobody gets here alone
        return threading.get_ident()

    one, other, third = side_by_side([meet, meet, threading.get_ident], [[0, 2], [1]], cores=2)
    assert one != other
    assert third == one
    assert threading.get_ident() in (one, other)


def test_no_more_threads_than_cores() -> None:
    seen = side_by_side([threading.get_ident] * 20, [[number] for number in range(20)], cores=3)
    assert len(set(seen)) <= 3


def test_the_fault_is_that_of_the_first_task_though_another_fails_earlier() -> None:
    has_failed = threading.Event()

    def fail_late() -> int:
        assert has_failed.wait(PATIENCE)
        raise Spoilt(0)

    def fail_early() -> int:
        has_failed.set()
        raise Spoilt(1)

    with pytest.raises(Spoilt, match=r"^0$"):
        side_by_side([fail_late, fail_early], [[0], [1]], cores=2)


def test_what_comes_after_a_fault_is_not_done() -> None:
    done: list[int] = []

    def noted() -> int:
        done.append(2)
        return 2

    with pytest.raises(Spoilt, match=r"^1$"):
        side_by_side([lambda: 0, failing(1), noted], [[0, 1, 2]], cores=2)
    assert not done


def test_a_signal_ends_the_wait_at_once_and_the_rest_is_left() -> None:
    is_let_go, others = threading.Event(), threading.Barrier(2)
    done: list[int] = []

    def interrupted() -> int:
        others.wait(PATIENCE)
        raise KeyboardInterrupt

    def long() -> int:
        if threading.current_thread() is threading.main_thread():
            return interrupted()
        others.wait(PATIENCE)
        assert is_let_go.wait(PATIENCE)
        return 0

    def later() -> int:
        done.append(1)
        return 1

    before = set(threading.enumerate())
    with pytest.raises(KeyboardInterrupt):
        side_by_side([long, later, long, later], [[0, 1], [2, 3]], cores=2)
    (left,) = set(threading.enumerate()) - before  # it was not waited for
    assert left.daemon  # and does not keep the program from ending
    is_let_go.set()
    left.join(PATIENCE)
    assert not left.is_alive()
    assert not done


def test_a_process_has_the_cores_that_it_may_use(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: {1, 4, 6}, raising=False)
    assert core_count() == 3
    monkeypatch.delattr(os, "sched_getaffinity")
    monkeypatch.setattr(os, "cpu_count", lambda: 5)
    assert core_count() == 5
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert core_count() == 1


@pytest.mark.parametrize(
    "needed, parts",
    [
        ([], []),
        ([["a"], ["b"]], [[0], [1]]),
        ([["a"], ["b"], ["b", "a"]], [[0, 1, 2]]),
        ([["a"], [], ["b", "c"], ["c"], ["d", "a"]], [[0, 4], [1], [2, 3]]),
    ],
)
def test_tasks_with_something_in_common_are_one_part(needed: list[list[str]], parts: list[list[int]]) -> None:
    assert joined_parts(needed) == parts
