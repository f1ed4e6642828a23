"""Where an instrument made something else of a setting than was requested, and whether that may change a verdict.

What a grid of ranges or sampling rates makes of a request is reported and kept, and the measurement goes on: scale and
time axis follow what was read back. What makes the measurement another one (12 V that became 3.3 V, AC that became DC)
is an error. For levels and frequencies the border is the accuracy that the profile states; a difference within it
could not be seen at the terminals.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from wavewright.instruments.profile import Assignment, Profile
from wavewright.instruments.setting import Value
from wavewright.quantities import show_quantity

NOTICEABLE = 1e-3  # relative; what is nearer to what was requested is not worth a word
UNSTATED = 0.01  # relative; where the profile states no accuracy: common practice, no source
GRID = 2.5  # the largest step of a 1-2-5 grid, in which ranges and sampling rates come
OF_A_FILTER = 0.1  # relative; impedances, corners and hold-off times are nominal values
OF_THE_RANGE = 0.02  # beside the stated accuracy, a trigger level may lie so far off: common practice, no source
_TURN = 2 * math.pi

Used = Mapping[str, float | str | bool]
_LEVELS = ("offset", "level", "lower", "upper")


@dataclass(frozen=True, slots=True)
class Deviation:
    """A setting of which the instrument made something else.

    Parameters
    ----------
    name, setting : as captures call it (`input1.range`), and as the vocabulary does (`input.range`).
    unit : of both values.
    """

    name: str
    setting: str
    asked: float | str | bool
    used: float | str | bool
    unit: str = ""

    @property
    def ratio(self) -> float:
        """Used over asked, for numbers; 0 where that means nothing."""
        numbers = [float(one) for one in (self.asked, self.used) if not isinstance(one, str | bool)]
        return numbers[1] / numbers[0] if len(numbers) == 2 and numbers[0] else 0.0

    def __str__(self) -> str:
        return f"{self.name}: requested {shown(self.asked, self.unit)}, set to {shown(self.used, self.unit)}"


def is_same(asked: Value, used: float | str | bool, *, tolerance: float = NOTICEABLE, scale: float = 0.0) -> bool:
    """Whether an answer is what was requested, numbers within a relative tolerance.

    Parameters
    ----------
    scale : the magnitude that the tolerance is of, where that is more than the value itself.
    """
    if asked is None or not isinstance(asked, float | int | str | bool):
        return True  # inputs in a list, or an event: there is nothing to compare
    if isinstance(asked, str | bool) or isinstance(used, str | bool):
        return asked == used
    return abs(used - asked) <= tolerance * max(abs(asked), scale)


def deviations(
    asked: Iterable[Assignment], used: Used, profile: Profile, *, tolerance: float = NOTICEABLE
) -> tuple[Deviation, ...]:
    """What differs, by more than a relative tolerance for numbers.

    Offsets and levels near 0 are compared with the largest range among the settings instead.
    """
    group = list(asked)
    ranges = (one.value for one in group if one.setting == "input.range")
    largest = max((float(value) for value in ranges if isinstance(value, int | float)), default=0.0)
    found = []
    for one in group:
        if one.name not in used or not isinstance(one.value, float | int | str | bool):
            continue
        scale = largest if one.setting.endswith(_LEVELS) else 0.0
        if not is_same(one.value, used[one.name], tolerance=tolerance, scale=scale):
            unit = profile.entry(one.setting).unit
            found.append(Deviation(one.name, one.setting, one.value, used[one.name], unit))
    return tuple(found)


def decisive(asked: Iterable[Assignment], used: Used, profile: Profile) -> Iterator[Deviation]:
    """Those of the differences that may change a verdict."""
    group = list(asked)
    for one in deviations(group, used, profile, tolerance=0.0):
        rule = _RULES.get(one.setting)
        if rule is not None and not rule(one, used, profile):
            yield one


Rule = Callable[[Deviation, Used, Profile], bool]  # whether the difference is nothing but a remark


def shown(value: Value, unit: str) -> str:
    """A value as messages have it."""
    if isinstance(value, bool):
        return "on" if value else "off"
    return show_quantity(value, unit) if isinstance(value, float | int) else str(value)


def _numbers(one: Deviation) -> tuple[float, float]:
    return float(one.asked), float(one.used)


def _exactly(one: Deviation, used: Used, profile: Profile) -> bool:
    return one.asked == one.used


def _not_off(one: Deviation, used: Used, profile: Profile) -> bool:
    """Another input that is recorded as well does no harm; one that is missing does."""
    return not one.asked or bool(one.used)


def _within(share: float) -> Rule:
    def rule(one: Deviation, used: Used, profile: Profile) -> bool:
        asked, found = _numbers(one)
        return abs(found - asked) <= share * abs(asked)

    return rule


def _at_least(share: float) -> Rule:
    def rule(one: Deviation, used: Used, profile: Profile) -> bool:
        asked, found = _numbers(one)
        return found >= share * asked

    return rule


def _at_most(factor: float) -> Rule:
    def rule(one: Deviation, used: Used, profile: Profile) -> bool:
        asked, found = _numbers(one)
        return found <= factor * asked

    return rule


def _voltage(one: Deviation, used: Used, profile: Profile) -> bool:
    """Gain and offset as the profile states them; an amplitude may be the scale of its offset."""
    asked, found = _numbers(one)
    accuracy, most = profile.grammar.accuracy, profile.grammar.abilities.voltage or 0.0
    scale = max(abs(asked), abs(float(used.get("amplitude", 0.0))) if one.setting == "offset" else 0.0)
    gain = UNSTATED if accuracy.gain is None else accuracy.gain
    share, fixed = accuracy.offset or (0.0, 0.0)
    return abs(found - asked) <= gain * scale + share * most + fixed + _rounding(asked)


def _current(one: Deviation, used: Used, profile: Profile) -> bool:
    asked, found = _numbers(one)
    accuracy = profile.grammar.accuracy
    gain = UNSTATED if accuracy.current_gain is None else accuracy.current_gain
    return abs(found - asked) <= gain * abs(asked) + (accuracy.current_offset or 0.0) + _rounding(asked)


def _frequency(one: Deviation, used: Used, profile: Profile) -> bool:
    asked, found = _numbers(one)
    stated = profile.grammar.accuracy.timebase
    return abs(found - asked) <= (UNSTATED if stated is None else stated) * abs(asked) + _rounding(asked)


def _phase(one: Deviation, used: Used, profile: Profile) -> bool:
    """A turn more or less is the same phase."""
    asked, found = _numbers(one)
    apart = (found - asked) % _TURN
    return min(apart, _TURN - apart) <= UNSTATED


def _trigger_level(one: Deviation, used: Used, profile: Profile) -> bool:
    asked, found = _numbers(one)
    ranges = [float(value) for name, value in used.items() if name.startswith("input") and name.endswith(".range")]
    gain = profile.grammar.accuracy.gain or 0.0
    share, fixed = profile.grammar.accuracy.offset or (0.0, 0.0)
    span = max(ranges, default=abs(asked))
    return abs(found - asked) <= gain * abs(asked) + (share + OF_THE_RANGE) * span + fixed


def _rounding(value: float) -> float:
    """What remains of printing a number in seven digits."""
    return 1e-6 * abs(value) + 1e-12


# What has no row here (ranges, offsets, the number of samples, where the record lies) is nothing but a remark: scale
# and time axis follow what was read back, and a record that it spoils gets a doubt.
_RULES: Mapping[str, Rule] = {
    "input.on": _not_off,
    "input.coupling": _exactly,
    "input.impedance": _within(OF_A_FILTER),
    "input.bandwidth_limit.on": _exactly,
    "input.bandwidth_limit": _at_least(1 - OF_A_FILTER),  # a lower corner hides what a higher one shows
    "timebase.interval": _at_most(GRID * (1 + NOTICEABLE)),
    "timebase.rate": _at_least((1 - NOTICEABLE) / GRID),
    "trigger.source": _exactly,
    "trigger.slope": _exactly,
    "trigger.auto": _exactly,
    "trigger.level": _trigger_level,
    "trigger.holdoff": _at_least(1 - OF_A_FILTER),
    "voltage": _voltage,
    "voltage_protection": _voltage,
    "voltage_protection.on": _exactly,
    "current_limit": _current,
    "current_protection": _current,
    "current_protection.on": _exactly,
    "function": _exactly,
    "frequency": _frequency,
    "amplitude": _voltage,
    "offset": _voltage,
    "duty_factor": _within(UNSTATED),
    "symmetry": _within(UNSTATED),
    "width": _within(UNSTATED),
    "phase": _phase,
    "burst.on": _exactly,
    "burst.cycles": _exactly,
    "quantity": _exactly,
    "temperature.unit": _exactly,
    "range.auto": _exactly,
    "range": _at_least(1 - NOTICEABLE),  # a meter takes the next range that there is above
    "cycles": _at_least(1 - UNSTATED),
}
