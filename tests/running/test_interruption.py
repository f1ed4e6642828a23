"""What ends a run early: signals and the time limit."""

from __future__ import annotations

import signal
import threading
from contextlib import suppress

import pytest

from wavewright.errors import FileFault, TimeUp
from wavewright.recipe.load import parse_recipe
from wavewright.running.interruption import Interrupted, TimeLimit, interruptible
from wavewright.running.run_context import Unattended


def signal_us(number: signal.Signals) -> None:
    signal.raise_signal(number)


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


RECIPE = """wavewright: 1
title: Rail
{more}measurements:
  rail:
    channels: {{rail: {{input: 1, range: 8 V}}}}
    timebase: {{span: 2 ms, points: 2k}}
    compute: {{mean: {{}}}}
"""


def test_time_that_is_up_breaks_off() -> None:
    limit = TimeLimit(0.0)
    with pytest.raises(TimeUp, match=r"not ended within 0 s\n  do: .*`time_limit:`"):
        limit.check()


def test_a_pause_is_no_longer_than_the_time_that_is_left() -> None:
    pauses: list[float] = []
    TimeLimit(1000.0).pausing(pauses.append)(5000.0)
    assert 900.0 < pauses[0] <= 1000.0


def test_waiting_for_a_person_does_not_count(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [0.0]
    monkeypatch.setattr("time.monotonic", lambda: clock[0])

    class Slow(Unattended):
        def confirm(self, text: str) -> None:
            clock[0] += 5000.0

    limit = TimeLimit(1000.0)
    limit.asking(Slow()).confirm("Probe 1 on TP3.")
    limit.check()
    clock[0] += 1001.0
    with pytest.raises(TimeUp):
        limit.check()


def test_a_recipe_has_a_day_unless_it_says_otherwise() -> None:
    assert parse_recipe(RECIPE.format(more=""), "rail.yaml").time_limit == 86400.0
    assert parse_recipe(RECIPE.format(more="time_limit: 10 s\n"), "rail.yaml").time_limit == 10.0


@pytest.mark.parametrize("text", ["0 s", "10", "10 V", "soon"])
def test_a_time_limit_that_is_none_is_refused_with_its_place(text: str) -> None:
    with pytest.raises(FileFault, match=r"rail\.yaml:3:13: "):
        parse_recipe(RECIPE.format(more=f"time_limit: {text}\n"), "rail.yaml")
