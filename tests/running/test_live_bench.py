"""A bench that stays open from shot to shot: what is sent when something changes, and what an output needs to go on."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from wavewright.errors import BenchFault, SetOtherwise
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.digitizer_setup import changed_assignments
from wavewright.instruments.link import Link
from wavewright.instruments.profile import Assignment
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.running.live_bench import LiveBench
from wavewright.running.run_context import Silent, Unattended
from wavewright.running.run_options import RunOptions
from wavewright.running.shot_stopping import ShotStopper, StoppedShort

RECIPE = """\
wavewright: 1
title: The rail
measurements:
  rail:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: auto, level: 3.3 V}
    compute: {mean: {of: rail}}
"""
POWERED = RECIPE.replace(
    "    compute", "    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}}]\n    compute"
)


class Consent:
    given = False

    def __call__(self, steps: tuple[str, ...]) -> bool:
        return self.given


@pytest.fixture
def consent() -> Consent:
    return Consent()


@pytest.fixture
def live(bench: BenchFile, consent: Consent) -> Iterator[LiveBench]:
    with LiveBench(
        bench,
        RunOptions(seed=1),
        operator=Unattended(),
        progress=Silent(),
        stopper=ShotStopper(lambda: None),
        may_switch=consent,
        check=lambda: None,
        pause=lambda seconds: None,
    ) as opened:
        yield opened


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every message without an answer, as it is sent."""
    messages: list[str] = []
    plain = Link.write

    def noted(link: Link, message: str, **how: Any) -> None:
        messages.append(message)
        plain(link, message, **how)

    monkeypatch.setattr(Link, "write", noted)
    return messages


def supply_of(library: Any) -> Any:
    """The supply itself, to be asked."""
    return next(device.instrument for name, device in library.instruments.items() if "supply" in name)


def set_up(live: LiveBench, text: str) -> Recipe:
    recipe = parse_recipe(text, "rail.yaml")
    live.set_up(recipe, recipe.measurements[0])
    return recipe


def test_only_the_group_that_has_changed_is_sent_again(live: LiveBench, written: list[str]) -> None:
    set_up(live, RECIPE)
    assert any(message.startswith("*RST") for message in written)
    live.take()
    written.clear()
    # when the level of the trigger is another one
    set_up(live, RECIPE.replace("level: 3.3 V", "level: 3.2 V"))
    # then the trigger is set, and neither reset nor inputs nor time base
    settings = [message for message in written if message not in ("INITiate", "ABORt")]
    assert settings
    assert all("TRIG" in message.upper() for message in settings), settings
    assert live.take().capture.settings["trigger.level"] == pytest.approx(3.2, abs=0.05)


def test_what_is_as_it_was_is_read_back_all_the_same(live: LiveBench) -> None:
    set_up(live, RECIPE)
    before = dict(live.take().capture.settings)
    set_up(live, RECIPE.replace("level: 3.3 V", "level: 3.2 V"))
    after = dict(live.take().capture.settings)
    assert after.keys() == before.keys()
    assert {name for name in after if after[name] != before[name]} == {"trigger.level"}


def test_another_range_is_set_and_shots_follow(live: LiveBench) -> None:
    set_up(live, RECIPE)
    set_up(live, RECIPE.replace("range: 8 V", "range: 20 V"))
    assert live.take().capture.settings["input1.range"] == pytest.approx(20.0)


def test_an_output_does_not_go_on_without_consent(live: LiveBench, libraries: list[Any]) -> None:
    with pytest.raises(StoppedShort):
        set_up(live, POWERED)
    assert not live.is_ready
    assert not live.outputs_on
    (library,) = libraries
    assert not any(
        device.instrument.settings["output"] for name, device in library.instruments.items() if "supply" in name
    )


def test_an_output_goes_on_with_consent_and_off_again(live: LiveBench, consent: Consent, libraries: list[Any]) -> None:
    consent.given = True
    recipe = set_up(live, POWERED)
    (library,) = libraries
    supply = supply_of(library)
    assert supply.settings["output"]
    assert live.outputs_asked(recipe.measurements[0]) == ("supply: voltage 24 V, current limit 1 A, output on",)
    # a change of the digitizer alone leaves it on
    set_up(live, POWERED.replace("level: 3.3 V", "level: 3.2 V"))
    assert supply.settings["output"]
    # one that does without it switches it off before anything else
    set_up(live, RECIPE)
    assert not supply.settings["output"]


def test_the_end_of_the_consent_ends_the_next_shot(live: LiveBench, consent: Consent, libraries: list[Any]) -> None:
    consent.given = True
    set_up(live, POWERED)
    consent.given = False
    with pytest.raises(StoppedShort):
        live.take()
    (library,) = libraries
    assert not any(
        device.instrument.settings["output"] for name, device in library.instruments.items() if "supply" in name
    )


def test_what_the_bench_cannot_do_is_refused_and_the_bench_goes_on(live: LiveBench) -> None:
    set_up(live, RECIPE)
    with pytest.raises(BenchFault):
        set_up(live, RECIPE.replace("input: 1", "input: 9"))
    set_up(live, RECIPE)
    assert live.take().wave("rail").codes.size == 1000


def test_the_level_of_the_trigger_is_sent_with_the_range_of_an_input() -> None:
    before = (Assignment("input.range", 8.0, 1), Assignment("timebase.points", 100), Assignment("trigger.level", 1.0))
    after = (Assignment("input.range", 4.0, 1), Assignment("timebase.points", 100), Assignment("trigger.level", 1.0))
    assert changed_assignments(before, after) == (after[0], after[2])
    assert changed_assignments((), after) == after
    assert changed_assignments(after, after) == ()


def test_a_shot_with_a_setting_that_somebody_has_changed_is_not_shown(live: LiveBench, libraries: list[Any]) -> None:
    set_up(live, RECIPE)
    live.take()
    # given somebody who turns the knob of the trigger level, of which no record tells
    (library,) = libraries
    digitizer = next(device.instrument for name, device in library.instruments.items() if "digitizer" in name)
    digitizer.settings.put("trigger_level", 1.0)
    # when the next shot is taken
    with pytest.raises(SetOtherwise, match=r"after a shot: trigger.level was 3.3 V and is 10 V now"):
        live.take()
    # then the bench is set up anew before another one
    assert not live.is_ready
    set_up(live, RECIPE)
    assert live.take().capture.settings["trigger.level"] == pytest.approx(3.3, abs=0.05)


def test_a_shot_while_an_output_went_off_is_not_shown(live: LiveBench, consent: Consent, libraries: list[Any]) -> None:
    consent.given = True
    set_up(live, POWERED)
    live.take()
    (library,) = libraries
    supply_of(library).settings.put("output", False)
    with pytest.raises(SetOtherwise, match="output was on and is off now"):
        live.take()
    assert not live.outputs_on
