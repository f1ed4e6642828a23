"""Signals and console events, on this system and as on the other one, whose calls a stand-in takes here."""

from __future__ import annotations

import ctypes
import signal
import threading
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from wavewright.instruments import stop_signals
from wavewright.instruments.stop_signals import heeding_console, undisturbed


@pytest.fixture(params=["with a mask", "without a mask"])
def _mask(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows has no mask of signals."""
    if request.param == "without a mask":
        monkeypatch.delattr(signal, "pthread_sigmask", raising=False)
    elif not hasattr(signal, "pthread_sigmask"):
        pytest.skip("no mask of signals on this system")


@pytest.mark.usefixtures("_mask")
def test_a_signal_inside_the_block_comes_after_it() -> None:
    done = []
    with pytest.raises(KeyboardInterrupt):  # noqa: PT012
        with undisturbed():
            signal.raise_signal(signal.SIGINT)
            done.append("the last output")
        done.append("what comes after")
    assert done == ["the last output"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.usefixtures("_mask")
def test_the_blocks_own_fault_comes_out_of_it() -> None:
    with pytest.raises(ValueError, match="probe slipped"), undisturbed():
        raise ValueError("probe slipped")


class StandIn:
    """Windows' list of handlers, which is locked while one of them is at work."""

    def __init__(self) -> None:
        self.senders: list[threading.Thread] = []
        self.handlers: list[Callable[[int], int]] = []
        self._lock = threading.RLock()
        self.kernel32 = SimpleNamespace(SetConsoleCtrlHandler=self._set)

    def _set(self, handler: Any, add: int) -> int:
        with self._lock:
            if add:
                self.handlers.append(handler)
            else:
                self.handlers.remove(handler)
        return 1

    def send(self, event: int) -> threading.Thread:
        """Call the handlers, the last one first, until one has taken it, in a thread of its own."""

        def call() -> None:
            with self._lock:
                any(handler(event) for handler in reversed(self.handlers))

        sender = threading.Thread(target=call, daemon=True)
        self.senders.append(sender)
        sender.start()
        return sender


@pytest.fixture
def console(monkeypatch: pytest.MonkeyPatch) -> StandIn:
    stand_in = StandIn()
    monkeypatch.setattr(stop_signals, "BREAK", signal.SIGINT)
    monkeypatch.setitem(vars(ctypes), "windll", stand_in)
    monkeypatch.setitem(vars(ctypes), "WINFUNCTYPE", lambda *types: lambda function: function)
    return stand_in


@pytest.mark.parametrize("event", [stop_signals.BREAK_EVENT, *stop_signals.CLOSING_EVENTS])
def test_a_console_event_breaks_the_block_off(console: StandIn, event: int) -> None:
    done, never = [], threading.Event()
    with pytest.raises(KeyboardInterrupt), heeding_console():  # noqa: PT012
        try:
            console.send(event)
            while not never.wait(0.05):
                pass
        finally:
            done.append("outputs are off")
            # a closing one keeps the system waiting, which would end the process; Ctrl-Break does not
            if event not in stop_signals.CLOSING_EVENTS:
                console.senders[0].join()
            assert console.senders[0].is_alive() == (event in stop_signals.CLOSING_EVENTS)
    assert done == ["outputs are off"]
    console.senders[0].join()
    assert not console.handlers


def test_other_events_are_left_to_whom_they_are_for(console: StandIn) -> None:
    with heeding_console():
        console.send(0).join()
        assert console.handlers[0](0) == 0


def test_a_block_inside_another_changes_nothing(console: StandIn) -> None:
    with heeding_console():
        with heeding_console():
            assert len(console.handlers) == 1
        assert len(console.handlers) == 1
    assert not console.handlers
