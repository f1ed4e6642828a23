from __future__ import annotations

import pytest

from wavewright.errors import FileFault, TimeUp
from wavewright.recipe.load import parse_recipe
from wavewright.running.prompts import Unattended
from wavewright.running.time_limit import TimeLimit

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
