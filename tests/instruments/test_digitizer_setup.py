"""What is asked of a digitizer, before it is sent: what it cannot do, what its profile cannot say, what it rounds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from wavewright.analysis.parameters import Slope
from wavewright.instruments.digitizer_setup import (
    digitizer_assignments,
    digitizer_faults,
    nearest_range_not_below,
)
from wavewright.instruments.profile import load_profile
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup


@pytest.mark.parametrize(
    "setup, words",
    [
        (DigitizerSetup({"a": InputSetup(5, 1.0)}, TimebaseSetup(10, 1e-6)), "channel `a` is on input 5"),
        (DigitizerSetup({"a": InputSetup(1, 50.0)}, TimebaseSetup(10, 1e-6)), "the range of `a` of 50 V"),
        (DigitizerSetup({"a": InputSetup(1, 1.0)}, TimebaseSetup(10, 1e-9)), "the rate of 1 GHz"),
        (DigitizerSetup({"a": InputSetup(1, 1.0)}, TimebaseSetup(20_000_000, 1e-6)), "the record of 20000000"),
    ],
)  # fmt: skip
def test_what_an_instrument_cannot_do_is_known_before(setup: DigitizerSetup, words: str) -> None:
    faults = digitizer_faults(load_profile("scpi-digitizer"), setup)
    assert any(words in str(fault) for fault in faults), faults


BARE = """
wavewright-profile: 1
name: bare
role: digitizer
extends: scpi-basics
inputs: 2
settings:
  input.range: {set: "RANGe{input} {value}", ask: "RANGe{input}?"}
  timebase.interval: {set: "INTerval {value}", ask: "INTerval?"}
  timebase.points: {set: "POINts {value}", ask: "POINts?"}
acquire: {arm: GO, finished: {ask: "*OPC?"}}
waveform: {fetch: "CODEs{input}?", formats: {int8: {samples: int8}}}
"""
UNSPOKEN = [
    (InputSetup(1, 1.0, coupling="ac"), {}, "`a` with ac coupling", "input.coupling"),
    (InputSetup(1, 1.0, offset=2.0), {}, "`a` with an offset", "input.offset"),
    (InputSetup(1, 1.0, impedance=50.0), {}, "`a` with a chosen impedance", "input.impedance"),
    (InputSetup(1, 1.0, bandwidth_limit=20e6), {}, "`a` with a bandwidth limit", "input.bandwidth_limit.on"),
    (InputSetup(1, 1.0), {"before_trigger": 1e-6}, "a record that begins elsewhere", "timebase.before_trigger"),
    (InputSetup(1, 1.0), {"on": "a"}, "a trigger on a channel", "trigger.source"),
    (InputSetup(1, 1.0), {"on": "a"}, "a trigger on a channel", "trigger.level"),
    (InputSetup(1, 1.0), {"on": "a", "edge": Slope.FALLING}, "a trigger on falling edges", "trigger.slope"),
    (InputSetup(1, 1.0), {"on": "a", "hysteresis": 0.1}, "a trigger with hysteresis", "trigger.hysteresis"),
    (InputSetup(1, 1.0), {"on": "a", "holdoff": 0.1}, "a trigger with hold-off", "trigger.holdoff"),
]


@pytest.mark.parametrize("one, others, wanted, setting", UNSPOKEN, ids=[row[3] for row in UNSPOKEN])
def test_what_a_profile_cannot_say_is_refused_and_not_left_as_it_is(
    one: InputSetup, others: dict[str, Any], wanted: str, setting: str, tmp_path: Path
) -> None:
    (tmp_path / "bare.yaml").write_text(BARE)
    timebase = TimebaseSetup(10, 1e-6, others.pop("before_trigger", 0.0))
    setup = DigitizerSetup({"a": one}, timebase, TriggerSetup(**others))
    faults = digitizer_faults(load_profile("bare.yaml", folder=tmp_path), setup)
    assert [fault for fault in faults if wanted in fault.what and f"`{setting}`" in fault.expected], faults
    assert all("`bare`" in fault.what for fault in faults)


def test_a_profile_that_cannot_say_it_serves_who_does_not_want_it(tmp_path: Path) -> None:
    (tmp_path / "bare.yaml").write_text(BARE)
    profile = load_profile("bare.yaml", folder=tmp_path)
    assert not digitizer_faults(profile, DigitizerSetup({"a": InputSetup(1, 1.0)}, TimebaseSetup(10, 1e-6)))


def test_the_only_impedance_there_is_need_not_be_set(tmp_path: Path) -> None:
    (tmp_path / "bare.yaml").write_text(BARE + "abilities: {impedances: [1 Mohm]}\n")
    profile = load_profile("bare.yaml", folder=tmp_path)
    faults = [
        digitizer_faults(profile, DigitizerSetup({"a": InputSetup(1, 1.0, impedance=ohms)}, TimebaseSetup(10, 1e-6)))
        for ohms in (1e6, 50.0)
    ]
    assert [len(each) for each in faults] == [0, 1]


def test_a_probe_makes_a_range_possible() -> None:
    setup = DigitizerSetup({"a": InputSetup(1, 50.0, attenuation=10)}, TimebaseSetup(10, 1e-6))
    assert not digitizer_faults(load_profile("scpi-digitizer"), setup)


def test_the_nearest_range_not_below() -> None:
    profile = load_profile("scpi-digitizer")
    assert nearest_range_not_below(profile, 2.1) == 4.0
    assert nearest_range_not_below(profile, 2.0) == 2.0
    assert nearest_range_not_below(profile, 2.1, attenuation=10) == 4.0
    assert nearest_range_not_below(profile, 1e6) == 40.0


@pytest.mark.parametrize("attenuation", [1.0, 10.0])
def test_the_trigger_is_set_in_volts_at_the_input(attenuation: float) -> None:
    # a probe of 10x shows a tenth of what is at its tip: level and hysteresis alike (definition of the attenuation)
    setup = DigitizerSetup(
        {"a": InputSetup(1, 8.0, attenuation=attenuation)},
        TimebaseSetup(10, 1e-6),
        TriggerSetup(on="a", level=1.65, hysteresis=0.1),
    )
    found = {one.name: one.value for one in digitizer_assignments(setup, load_profile("scpi-digitizer"))}
    assert found["trigger.level"] == pytest.approx(1.65 / attenuation)
    assert found["trigger.hysteresis"] == pytest.approx(0.1 / attenuation)
