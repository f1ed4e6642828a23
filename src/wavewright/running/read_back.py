"""What was asked of the digitizer and what it really uses, and the difference in words; volts at the probe tip."""

from __future__ import annotations

from dataclasses import dataclass, replace

from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.digitizer_setup import Deviation, at_the_tip, deviations
from wavewright.instruments.profile import Assignment
from wavewright.instruments.setups import DigitizerSetup
from wavewright.quantities import show_quantity
from wavewright.running.outcome import Setting

NOTICEABLE = 1e-3  # relative; what is nearer to what was asked is not worth a word


@dataclass(frozen=True, slots=True)
class ReadBack:
    """Settings by name in SI units: as asked and as used, and a line for each difference."""

    asked: dict[str, Setting]
    used: dict[str, Setting]
    differences: tuple[str, ...]


def configure(digitizer: Digitizer, setup: DigitizerSetup) -> ReadBack:
    """Set the digitizer and read back; where it rounds the time between samples, the span is kept and not the number.

    A record that became shorter than the recipe has it would miss what the recipe waits for.

    Raises
    ------
    Misuse, BenchFault, Complaint, NoAnswer, BadAnswer, LinkLost
    """
    used = dict(digitizer.configure(setup))
    asked, found = asked_settings(digitizer, setup), differences(digitizer, setup)
    timebase = setup.timebase
    interval = float(used.get("timebase.interval", timebase.interval))
    points = round(timebase.points * timebase.interval / interval)
    if abs(points - timebase.points) > NOTICEABLE * timebase.points:
        most = int(digitizer.profile.grammar.abilities.points or points)
        corrected = replace(timebase, interval=interval, points=min(points, most))
        used = dict(digitizer.configure(replace(setup, timebase=corrected)))
        found += (f"timebase.points: {int(used.get('timebase.points', points))}, to keep the span",)
    return ReadBack(asked, used, found)


def asked_settings(digitizer: Digitizer, setup: DigitizerSetup) -> dict[str, Setting]:
    """What `configure` asked for, by the names of the settings that are read back."""
    plain = {one.name: one.value for one in digitizer.asked if isinstance(one.value, float | int | str | bool)}
    return dict(at_the_tip(plain, setup))


def differences(digitizer: Digitizer, setup: DigitizerSetup) -> tuple[str, ...]:
    """Where the instrument rounds a setting, or makes something else of it: one line each."""
    asked = asked_settings(digitizer, setup)
    settings = {one.name: one.setting for one in digitizer.asked}
    group = [Assignment(one.setting, asked[one.name], one.input) for one in digitizer.asked if one.name in asked]
    found = deviations(group, digitizer.settings, tolerance=NOTICEABLE)
    return tuple(_difference(one, digitizer.profile.entry(settings[one.name]).unit) for one in found)


def _difference(one: Deviation, unit: str) -> str:
    return f"{one.name}: asked {_shown(one.asked, unit)}, the instrument uses {_shown(one.used, unit)}"


def _shown(value: Setting, unit: str) -> str:
    return str(value) if isinstance(value, str | bool) else show_quantity(value, unit)
