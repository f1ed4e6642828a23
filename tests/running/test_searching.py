"""Automatic settings, with a digitizer that shows what it is made to show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from wavewright.errors import NotMeasurable
from wavewright.instruments.profile import load_profile
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup
from wavewright.running.searching import Found, find_settings
from wavewright.running.wanted import Wanted
from wavewright.waveform import Capture, Waveform

PERIOD = 800e-6  # s


class Digitizer:
    """Square wave between 0 V and 5 V with a spike of 20 V, shown only by a record sampled every 100 ns or faster."""

    def __init__(self, *, is_moving: bool = True) -> None:
        self.profile = load_profile("scpi-digitizer")
        self.asked = ()
        self.shots: list[DigitizerSetup] = []
        self._is_moving = is_moving

    def configure(self, setup: DigitizerSetup) -> Mapping[str, float]:
        steps = sorted(self.profile.grammar.abilities.ranges)
        one = setup.inputs["drive"]
        size = next((step for step in steps if step >= one.range * 0.999), steps[-1])
        self._used = replace(one, range=size)
        self._setup = setup
        return self.settings

    @property
    def settings(self) -> Mapping[str, float]:
        return {"input1.range": self._used.range, "input1.offset": self._used.offset}

    def check_as_requested(self, asked: object, used: object) -> None:
        """It rounds the range, and nothing else."""

    def acquire(self) -> Capture:
        self.shots.append(self._setup)
        timebase = self._setup.timebase
        places = timebase.interval * np.arange(timebase.points) % PERIOD
        volts = np.where(places < PERIOD / 2, 5.0, 0.0) if self._is_moving else np.zeros(timebase.points)
        if timebase.interval <= 100e-9 and self._is_moving:
            volts[places < 200e-9] = 20.0
        codes = np.clip(np.round((volts - self._used.offset) / self._used.range * 256), -128, 127).astype(np.int8)
        wave = Waveform(
            codes,
            gain=self._used.range / 256,
            offset=self._used.offset,
            interval=timebase.interval,
            name="drive",
            code_range=(-128, 127),
        )
        return Capture({"drive": wave})


def found(digitizer: Digitizer, *, cycles: int | None = 20) -> Found:
    setup = DigitizerSetup(
        inputs={"drive": InputSetup(1, range=0.0)},
        timebase=TimebaseSetup(points=1000, interval=1e-6),
        trigger=TriggerSetup(on="drive"),
    )
    goal = Wanted(setup, auto_ranges=("drive",), cycles=cycles, auto_level=True)
    return find_settings(goal, digitizer)  # type: ignore[arg-type]  # all that the search uses of a digitizer


def test_range_time_base_and_level_are_found_together() -> None:
    result = found(Digitizer())
    assert result.setup.timebase.span == pytest.approx(21.25 * PERIOD, rel=0.01)
    assert result.setup.trigger.on == "drive"
    assert len(result.remarks) == 3


def test_a_spike_that_only_the_final_record_shows_is_not_cut_off() -> None:
    digitizer = Digitizer()
    one = found(digitizer).setup.inputs["drive"]
    assert one.offset - one.range / 2 < 0.0
    assert one.offset + one.range / 2 > 20.0


def test_the_search_looks_with_a_trigger_that_comes_at_once() -> None:
    digitizer = Digitizer()
    found(digitizer)
    assert all(setup.trigger.on == "" for setup in digitizer.shots)


def test_a_line_that_never_moves_has_no_period_and_says_so() -> None:
    with pytest.raises(NotMeasurable, match="no period of `drive` was found"):
        found(Digitizer(is_moving=False))


def test_a_record_that_the_recipe_gives_is_kept() -> None:
    assert found(Digitizer(), cycles=None).setup.timebase == TimebaseSetup(points=1000, interval=1e-6)
