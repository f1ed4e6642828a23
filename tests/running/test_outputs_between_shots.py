"""An output that drops in one shot and is switched on again for the next, and a protection that trips between two.

Instruments of the tests' own on real sockets; the limits are such that every shot passes by itself, fed or not.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.instruments.spoken import AMPERES, DRAWN, OUTPUT, VOLTS, ScpiSupply, Spoken, bench_of
from tests.running.test_changed_settings import RECORD, AtRecord
from tests.running.test_read_back import Instruments, only
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import parse_recipe
from wavewright.running.result import MeasurementOutcome
from wavewright.running.run import run

SHOTS = 4
RECIPE = f"""
wavewright: 1
title: Switched on for each shot
measurements:
  switched:
    channels: {{line: {{input: 1, range: 4 V}}}}
    timebase: {{span: 2 ms, points: 200, before_trigger: 400 us}}
    trigger: {{mode: normal, on: line, edge: rising, level: 0 V, timeout: 1 s}}
    shots: {SHOTS}
    stimulus:
      - {{supply: {{output: off}}, then_wait: 1 ms}}
      - {{supply: {{voltage: 12 V, current_limit: 1 A, output: on}}}}
      - {{source: {{function: sine, frequency: 2 kHz, amplitude: 4 V, offset: 1 V}}}}
    compute: {{swing: {{metric: peak_to_peak, limit: at most 3.9 V}}}}
    supply: {{drawn: {{quantity: current, limit: 0 A .. 1 A}}}}
"""
STEADY = RECIPE.replace("mode: normal, on: line, edge: rising,", "mode: auto,").replace("output: off", "voltage: 1 V")
PROTECTED = {
    quantity: f"{quantity}_protection: {level}, output: on"
    for quantity, level in (("voltage", "13 V"), ("current", "1 A"))
}
EVERY_WAY = os.environ.get("WAVEWRIGHT_PROOF") == "full"
SEVERAL = [True, False] if EVERY_WAY else [True]
NUMBERS = [1, 3, SHOTS] if EVERY_WAY else [3]
HEADER = {"voltage": "SOURce:VOLTage:PROTection:TRIPped", "current": "SOURce:CURRent:PROTection:TRIPped"}


class TrippingSupply(ScpiSupply):
    """A supply whose protection has tripped: by its switch it is off, or not, and to switch it on clears it, or not."""

    shows_it, clears_it = True, True

    def trip(self, quantity: str) -> None:
        self.held[HEADER[quantity]] = "1"
        if self.shows_it:
            self.held[OUTPUT] = "0"

    def own(self, text: str) -> str | bytes | None:
        if text == f"{OUTPUT} 1" and self.clears_it:
            self.held |= dict.fromkeys(HEADER.values(), "0")
        if text == f"{OUTPUT} 1" and "1" in (self.held.get(one) for one in HEADER.values()):
            return None
        return super().own(text)


@pytest.fixture
def ours() -> Instruments:
    made = Instruments()
    made.supply = TrippingSupply()
    return made


def measured(folder: Path, ours: Instruments, text: str = RECIPE, *, several: bool = True) -> MeasurementOutcome:
    devices: dict[str, Spoken] = {name: one for name, one in ours.by_name.items() if name != "meter"}
    for name in devices:
        (folder / f"{name}.yaml").write_text(
            f"wavewright-profile: 1\nname: own-{name}\nextends: scpi-{name}\n"
            f"quirks: {{compound_queries: {str(several).lower()}}}\n",
            encoding="utf-8",
        )
    with bench_of(folder, devices, profiles={name: f"{name}.yaml" for name in devices}) as bench:
        one = only(run(parse_recipe(text, "switched.yaml"), bench, pause=lambda seconds: None))
    assert (ours.supply.held[OUTPUT], ours.source.held[OUTPUT]) == ("0", "0")
    return one


def after_shot(ours: Instruments, number: int, do: Callable[[], None]) -> None:
    """While the record of that shot is sent; none is taken before the shots."""
    ours.digitizer.at[RECORD] = AtRecord({number: do})


@pytest.mark.parametrize("several", SEVERAL)
def test_all_shots_pass_where_nothing_drops(tmp_path: Path, ours: Instruments, *, several: bool) -> None:
    assert measured(tmp_path, ours, several=several).verdict is Verdict.PASS
    assert ours.digitizer.sent.count(RECORD) == SHOTS


@pytest.mark.parametrize("several", SEVERAL)
@pytest.mark.parametrize("number", range(1, SHOTS + 1))
@pytest.mark.parametrize("name", ["supply", "source"])
def test_a_drop_is_found_with_the_shot(
    tmp_path: Path, ours: Instruments, name: str, number: int, *, several: bool
) -> None:
    device = ours.by_name[name]
    after_shot(ours, number, lambda: device.held.update({OUTPUT: "0"}))
    one = measured(tmp_path, ours, several=several)
    assert one.verdict is Verdict.ERROR
    assert not one.results
    assert "after a shot: output was on and is off now" in one.error
    assert f"({name})" in one.error
    assert ours.digitizer.sent.count(RECORD) == number


@pytest.mark.parametrize("several", SEVERAL)
def test_a_drop_while_the_supply_is_read_is_found(tmp_path: Path, ours: Instruments, *, several: bool) -> None:
    ours.supply.at[DRAWN] = AtRecord({2: lambda: ours.supply.held.update({OUTPUT: "0"})})
    one = measured(tmp_path, ours, several=several)
    assert "after a shot: output was on and is off now" in one.error
    assert ours.digitizer.sent.count(RECORD) == 2


@pytest.mark.parametrize("several", SEVERAL)
def test_an_output_that_was_switched_off_and_comes_on_is_found(
    tmp_path: Path, ours: Instruments, *, several: bool
) -> None:
    text = RECIPE.replace("offset: 1 V}}\n", "offset: 1 V}}\n      - {supply: {output: off}}\n")
    assert text != RECIPE
    after_shot(ours, 2, lambda: ours.supply.held.update({OUTPUT: "1"}))
    assert "after a shot: output was off and is on now" in measured(tmp_path, ours, text, several=several).error


@pytest.mark.parametrize("several", SEVERAL)
@pytest.mark.parametrize("clears_it", [True, False], ids=["clears", "keeps"])
@pytest.mark.parametrize("shows_it", [True, False], ids=["off", "on"])
@pytest.mark.parametrize("quantity", PROTECTED)
@pytest.mark.parametrize("mode", ["normal", "auto"])
@pytest.mark.parametrize("number", NUMBERS)
def test_a_trip_of_a_protection_that_the_recipe_sets_voids_the_shots(
    tmp_path: Path, ours: Instruments, *, number: int, mode: str, quantity: str, shows_it: bool, clears_it: bool,
    several: bool,
) -> None:  # fmt: skip
    # given a supply that trips with a shot, whether its switch shows it or not, and the next switching on clears it
    supply = ours.supply
    assert isinstance(supply, TrippingSupply)
    supply.shows_it, supply.clears_it = shows_it, clears_it
    text = (RECIPE if mode == "normal" else STEADY).replace("output: on", PROTECTED[quantity])
    after_shot(ours, number, lambda: supply.trip(quantity))
    one = measured(tmp_path, ours, text, several=several)
    assert one.verdict is Verdict.ERROR
    assert not one.results
    assert f"protection.{quantity}_tripped was off and is on now" in one.error
    assert ("output was on and is off now" in one.error) is shows_it
    assert "`trip: allow`" in one.error


@pytest.mark.parametrize("several", SEVERAL)
@pytest.mark.parametrize("shows_it", [True, False], ids=["off", "on"])
@pytest.mark.parametrize("quantity", PROTECTED)
def test_a_trip_that_is_tested_is_a_remark(
    tmp_path: Path, ours: Instruments, *, quantity: str, shows_it: bool, several: bool
) -> None:
    supply = ours.supply
    assert isinstance(supply, TrippingSupply)
    supply.shows_it, supply.clears_it = shows_it, False
    text = STEADY.replace("output: on", f"trip: allow, {PROTECTED[quantity]}")
    after_shot(ours, 3, lambda: supply.trip(quantity))
    one = measured(tmp_path, ours, text, several=several)
    assert one.verdict is Verdict.PASS, one.error
    assert one.remarks[-1] == f"supply: its {quantity} protection has tripped"


def test_a_trip_of_the_other_protection_is_no_reason(tmp_path: Path, ours: Instruments) -> None:
    supply = ours.supply
    assert isinstance(supply, TrippingSupply)
    text = STEADY.replace("output: on", f"trip: allow, {PROTECTED['voltage']}")
    after_shot(ours, 3, lambda: supply.trip("current"))
    assert "output was on and is off now" in measured(tmp_path, ours, text).error


def test_a_protection_that_was_not_set_is_not_asked_for(tmp_path: Path, ours: Instruments) -> None:
    measured(tmp_path, ours)
    assert not any(text.startswith(tuple(HEADER.values())) for text in ours.supply.sent)


@pytest.mark.parametrize("several", SEVERAL)
def test_a_restart_of_supply_or_source_is_found(tmp_path: Path, ours: Instruments, *, several: bool) -> None:
    after_shot(ours, 2, ours.supply.restart)
    one = measured(tmp_path, ours, several=several)
    assert one.verdict is Verdict.ERROR
    assert ours.digitizer.sent.count(RECORD) == 2


def test_the_levels_of_the_recipe_were_set(tmp_path: Path, ours: Instruments) -> None:
    measured(tmp_path, ours)
    assert (float(ours.supply.held[VOLTS]), float(ours.supply.held[AMPERES])) == (12.0, 1.0)
