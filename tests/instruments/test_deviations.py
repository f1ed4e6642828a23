"""Where an instrument made something else of a setting: what is worth a word, and what may change a verdict."""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.instruments.test_digitizer import SETUP
from wavewright.instruments.deviations import decisive, deviations
from wavewright.instruments.digitizer_setup import digitizer_assignments
from wavewright.instruments.profile import Assignment, load_profile


def test_what_the_instrument_made_of_it_is_told() -> None:
    profile = load_profile("scpi-digitizer")
    asked = digitizer_assignments(SETUP, profile)
    used: dict[str, Any] = {
        "input1.range": 20.0,
        "input1.offset": 2.004,
        "timebase.interval": 1e-6,
        "trigger.slope": "falling",
    }
    found = {one.name: one for one in deviations(asked, used, profile)}
    assert set(found) == {"input1.range", "trigger.slope"}  # 4 mV of offset are nothing in a range of 8 V
    assert found["input1.range"].ratio == 2.5
    assert str(found["input1.range"]) == "input1.range: requested 8 V, set to 20 V"


# math on what the shipped profiles state: supply 0.1 % + 10 mV, 0.2 % + 2 mA; source 1 %, 20 ppm
BORDERS = [
    ("scpi-supply", "voltage", 24.0, 24.0 * 0.001 + 0.010),
    ("scpi-supply", "voltage", 0.0, 0.010),
    ("scpi-supply", "current_limit", 1.0, 0.002 + 0.002),
    ("scpi-source", "amplitude", 4.0, 0.040),
    ("scpi-source", "frequency", 1e6, 20.0),
    ("scpi-source", "duty_factor", 0.5, 0.005),  # the profile states none: 1 % of it
]


@pytest.mark.parametrize("name, setting, asked, border", BORDERS)
@pytest.mark.parametrize("side", [-1, 1])
def test_the_border_is_the_stated_accuracy(name: str, setting: str, asked: float, border: float, side: int) -> None:
    profile = load_profile(name)
    group = [Assignment(setting, asked)]
    assert not list(decisive(group, {setting: asked + side * 0.9 * border}, profile))
    assert list(decisive(group, {setting: asked + side * 1.1 * border}, profile))


def test_a_turn_more_is_the_same_phase() -> None:
    profile = load_profile("scpi-source")
    assert not list(decisive([Assignment("phase", -1.0)], {"phase": 2 * math.pi - 1.0}, profile))
    assert list(decisive([Assignment("phase", -1.0)], {"phase": 1.0}, profile))


# what a grid makes of it, and what no grid would
GRIDS = [
    ("input.range", 0.1, 0.2, True),
    ("input.range", 0.1, 0.05, True),
    ("timebase.interval", 1e-6, 2.5e-6, True),
    ("timebase.interval", 1e-6, 4e-7, True),
    ("timebase.interval", 1e-6, 5e-6, False),
    ("input.bandwidth_limit", 20e6, 25e6, True),
    ("input.bandwidth_limit", 20e6, 15e6, False),
    ("input.impedance", 1e6, 50.0, False),
    ("trigger.holdoff", 1e-3, 2e-3, True),
    ("trigger.holdoff", 1e-3, 1e-4, False),
]


@pytest.mark.parametrize("setting, asked, used, is_remark", GRIDS)
def test_what_a_grid_makes_is_a_remark(setting: str, asked: float, used: float, is_remark: bool) -> None:
    group = [Assignment(setting, asked)]
    assert bool(list(decisive(group, {setting: used}, load_profile("scpi-digitizer")))) is not is_remark
