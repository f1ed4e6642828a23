"""What is computed beside a wait is the same as what is computed in it, its faults included."""

from __future__ import annotations

import threading

import pytest

from wavewright.errors import NotMeasurable
from wavewright.running.computed_aside import ComputedAside


def test_the_result_is_waited_for_and_comes_from_another_thread() -> None:
    may_end = threading.Event()
    aside = ComputedAside(lambda: (may_end.wait(60), threading.current_thread()))
    assert threading.current_thread() is threading.main_thread()  # whoever asked goes on meanwhile
    may_end.set()
    in_time, thread = aside.result()
    assert in_time
    assert thread is not threading.main_thread()
    assert aside.result() == (in_time, thread)  # computed once


def test_a_fault_is_raised_where_the_result_is_asked_for() -> None:
    def fail() -> float:
        raise NotMeasurable("nothing repeats itself")

    aside = ComputedAside(fail)
    for _ in range(2):
        with pytest.raises(NotMeasurable, match="nothing repeats itself"):
            aside.result()
