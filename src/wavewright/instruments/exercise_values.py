"""Which values of a setting are worth trying on an instrument: both ends of what its profile says, and the middle."""

from __future__ import annotations

import math
from collections.abc import Mapping

from wavewright.instruments.profile import Profile
from wavewright.instruments.setting import Value
from wavewright.instruments.vocabulary import ValueKind

_CEILING = {"voltage": "voltage", "current_limit": "current", "current_protection": "current", "frequency": "frequency"}
_WITHOUT_ABILITIES = {
    "trigger.holdoff": (1e-6, 1e-3, 0.1),
    "timebase.reference_position": (0.0, 0.5, 1.0),
    "timebase.reference_time": (-1e-3, 0.0, 1e-3),
    "timebase.before_trigger": (0.0, 1e-6, 1e-5),
    "timebase.span": (1e-5, 1e-3, 0.1),
    "duty_factor": (0.1, 0.5, 0.9),
    "symmetry": (0.1, 0.5, 0.9),
    "width": (1e-5, 1e-4, 5e-5),
    "phase": (0.0, 1.0, 3.0),
    "burst.cycles": (1, 10, 100),
    "cycles": (1.0, 10.0),
    "range": (0.1, 1.0, 10.0),
}  # fmt: skip
_FEWEST_POINTS, _MOST_POINTS = 100, 100_000  # enough to see it; a record of ten million takes its time
_LOWEST_FREQUENCY = 1.0
_USUAL_RATE = 1e6  # Hz; almost any digitizer has it


def values_to_try(setting: str, profile: Profile, ceilings: Mapping[str, float]) -> tuple[Value, ...]:
    """Words and switches all of them, numbers both ends and the middle; none above a ceiling.

    The last one is what the following settings are tried with, so it is a usual one: the middle, the first word.

    For a meter's `range` the unit is that of the quantity that was chosen last.
    """
    entry = profile.entry(setting)
    if entry.kind is ValueKind.BOOLEAN:
        return (True, False)
    if entry.kind is ValueKind.WORD:
        spoken = profile.setting(setting)
        first, *others = spoken.words if spoken and spoken.words else entry.words
        return (*others, first)
    if entry.kind is ValueKind.TEXT:
        return ("wavewright",)
    values = sorted(_numbers(setting, profile))
    if not values:
        return ()
    ceiling = ceilings.get(_CEILING.get(setting, ""), math.inf)
    if setting == "amplitude":
        ceiling = 2 * ceilings.get("voltage", math.inf)
    held = list(dict.fromkeys(math.copysign(min(abs(value), ceiling), value) for value in values))
    middle = held.pop(len(held) // 2)
    return (*held, middle)


def _numbers(setting: str, profile: Profile) -> tuple[float, ...]:
    abilities = profile.grammar.abilities
    slow = abilities.least_rate or 0.0
    rate = abilities.rate or max(_USUAL_RATE, slow)
    rates = tuple(dict.fromkeys(max(one, slow) for one in (slow or rate / 1e4, rate / 100, rate)))
    full = max(abilities.ranges, default=1.0)
    table: dict[str, tuple[float, ...]] = {
        "input.range": _ends_and_middle(abilities.ranges),
        "input.offset": (-full / 4, 0.0, full / 4),
        "input.upper": (full / 4, full / 2),
        "input.lower": (-full / 2, -full / 4),
        "input.impedance": abilities.impedances,
        "input.bandwidth_limit": abilities.bandwidth_limits,
        "timebase.interval": tuple(1 / one for one in rates),
        "timebase.rate": rates,
        "timebase.points": tuple(
            float(max(min(points, abilities.points or points), abilities.least_points or 0))
            for points in (_FEWEST_POINTS, 10_000, _MOST_POINTS)
        ),
        "trigger.level": (-full / 4, 0.0, full / 4),
        "trigger.hysteresis": (full / 100, full / 10),
        "frequency": _from_to(_LOWEST_FREQUENCY, abilities.frequency or 1e3),
        "amplitude": _share(abilities.voltage or 1.0),
        "offset": (0.0,),
        "voltage": (0.0, *_share(abilities.voltage or 1.0)),
        "current_limit": _share(abilities.current or 0.1),
        "voltage_protection": _share(abilities.voltage or 1.0),
        "current_protection": _share(abilities.current or 0.1),
    }
    return table.get(setting) or tuple(float(value) for value in _WITHOUT_ABILITIES.get(setting, ()))


def _ends_and_middle(steps: tuple[float, ...]) -> tuple[float, ...]:
    ordered = sorted(steps)
    return tuple(dict.fromkeys((ordered[0], ordered[len(ordered) // 2], ordered[-1]))) if ordered else (1.0,)


def _from_to(low: float, high: float) -> tuple[float, ...]:
    return (low, math.sqrt(low * high), high)


def _share(most: float) -> tuple[float, ...]:
    return (most / 100, most / 2, most)
