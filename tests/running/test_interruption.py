from __future__ import annotations

import os
import signal
import threading
from contextlib import suppress

import pytest

from wavewright.running.interruption import Interrupted, interruptible


def signal_us(number: signal.Signals) -> None:
    os.kill(os.getpid(), number)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_breaks_off_what_is_going_on(number: signal.Signals) -> None:
    with pytest.raises(Interrupted, match=number.name), interruptible(say=lambda text: None):
        signal_us(number)


def test_a_second_signal_does_not_reach_what_follows_the_first() -> None:
    said: list[str] = []
    switched_off = False
    with pytest.raises(Interrupted, match="SIGINT"), interruptible(say=said.append) as interruption:  # noqa: PT012
        try:
            signal_us(signal.SIGINT)
        finally:
            with interruption.shielded():
                signal_us(signal.SIGINT)
                signal_us(signal.SIGTERM)
                switched_off = True
    assert switched_off
    assert len(said) == 2


def test_a_first_signal_inside_the_shield_is_answered_after_it() -> None:
    steps: list[str] = []
    with pytest.raises(Interrupted, match="SIGTERM"), interruptible(say=lambda text: None) as interruption:  # noqa: PT012
        with interruption.shielded():
            signal_us(signal.SIGTERM)
            steps.append("outputs off")
        interruption.check()
        steps.append("next measurement")
    assert steps == ["outputs off"]


def test_an_interruption_that_foreign_code_swallowed_comes_back_at_the_next_step() -> None:
    with pytest.raises(Interrupted), interruptible(say=lambda text: None) as interruption:  # noqa: PT012
        with suppress(BaseException):  # what a careless library does
            signal_us(signal.SIGINT)
        interruption.check()


def test_the_handlers_from_before_return() -> None:
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    with interruptible(say=lambda text: None):
        assert signal.getsignal(signal.SIGINT) != before[0]
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before


def test_no_exception_for_ordinary_faults_catches_it() -> None:
    assert not issubclass(Interrupted, Exception)


def test_another_thread_is_left_alone() -> None:
    outcome: list[bool] = []

    def work() -> None:
        with interruptible(say=lambda text: None) as interruption:
            outcome.append(interruption.came)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert outcome == [False]
