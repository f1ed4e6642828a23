"""Long waits are made of short ones, between which a signal has its turn on every system."""

from __future__ import annotations

import socket
import threading
import time

import pytest

from wavewright.instruments import waits


def test_a_long_sleep_is_made_of_slices_and_none_is_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    now, slept = [100.0], list[float]()

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        now[0] += seconds

    monkeypatch.setattr(time, "sleep", sleep)
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    waits.sleep(1.25)
    assert sum(slept) == pytest.approx(1.25)
    assert max(slept) <= waits.SLICE
    assert len(slept) > 1.25 / waits.SLICE


def test_a_sleep_of_nothing_or_less_ends_at_once() -> None:
    waits.sleep(0)
    waits.sleep(-1)


@pytest.mark.parametrize("seconds", [0, waits.SLICE / 10, 1.5 * waits.SLICE])
def test_a_silent_socket_is_not_ready_to_read_but_takes_something(seconds: float) -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        assert not waits.until_ready(ours, seconds)
        assert waits.until_ready(ours, seconds, to_send=True)
        theirs.send(b"1")
        assert waits.until_ready(ours, seconds)


def test_an_answer_that_comes_after_several_slices_is_seen() -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        late = threading.Timer(2.5 * waits.SLICE, theirs.send, [b"1"])
        late.start()
        assert waits.until_ready(ours, 60)
        late.join()


def test_an_event_is_waited_for() -> None:
    event = threading.Event()
    late = threading.Timer(1.5 * waits.SLICE, event.set)
    late.start()
    waits.until_set(event)
    assert event.is_set()
    late.join()
