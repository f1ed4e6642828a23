"""Whether a number that an instrument answered can be what was asked for, or is out of all sense.

A damaged or misplaced answer that happens to be a number would otherwise be taken for a setting or for a measured
value. The bounds are wide on purpose: ten times what the profile says the instrument can do, and where it says
nothing, more than any instrument on a bench has. What lies within may still be wrong, but it is compared elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from wavewright.errors import BadAnswer
from wavewright.instruments.profile_grammar import Abilities
from wavewright.instruments.vocabulary import ValueKind, VocabularyEntry
from wavewright.quantities import show_quantity

FAR = 10.0  # times the ability
_SLACK = 1e-3  # of a ratio between 0 and 1, for rounding

# More than there is on any bench, by unit: common practice, no source.
_MOST: Mapping[str, float] = {"V": 1e6, "A": 1e5, "Hz": 1e13, "s": 1e7, "ohm": 1e18, "1": 1e9, "": 1e18, "rad": 1e4}
_SHARES = ("timebase.reference_position", "duty_factor", "symmetry")  # between 0 and 1 by their definition
_ABOVE_ZERO = (
    "input.range",
    "input.impedance",
    "input.bandwidth_limit",
    "timebase.interval",
    "timebase.rate",
    "timebase.points",
    "timebase.span",
    "frequency",
    "width",
)
_NOT_BELOW_ZERO = (
    "amplitude",
    "burst.cycles",
    "current_limit",
    "cycles",
    "range",
    "trigger.holdoff",
    "trigger.hysteresis",
)


def check_plausible(setting: str, value: float, entry: VocabularyEntry, abilities: Abilities) -> None:
    """See that an answered number makes sense; overload and "no value" are not numbers, and are left alone.

    Parameters
    ----------
    setting : by its name in the vocabulary.
    value : in SI units, at the instrument's connector.

    Raises
    ------
    BadAnswer : it does not.
    """
    if not math.isfinite(value):
        return
    least, most = bounds(setting, entry, abilities)
    if entry.kind is ValueKind.COUNT and not value.is_integer():
        raise BadAnswer(f"`{setting}` is {value:g}, according to its answer", expected="a whole number")
    if not least <= value <= most or (value == 0 and setting in _ABOVE_ZERO):
        raise BadAnswer(
            f"`{setting}` is {show_quantity(value, entry.unit)}, according to its answer: implausible",
            expected=f"between {show_quantity(least, entry.unit)} and {show_quantity(most, entry.unit)}",
        )


def bounds(setting: str, entry: VocabularyEntry, abilities: Abilities) -> tuple[float, float]:
    """The least and the most that a setting or a measured value of this kind of instrument can be, in SI units."""
    if setting in _SHARES:
        return -_SLACK, 1 + _SLACK
    far = _FAR_BEYOND_ABILITY.get(setting)
    most = far(abilities) if far else None
    highest = _MOST.get(entry.unit, math.inf) if most is None else most
    if setting == "timebase.interval" and abilities.rate:
        return 1 / (FAR * abilities.rate), highest
    return (0.0 if setting in (*_ABOVE_ZERO, *_NOT_BELOW_ZERO) else -highest), highest


def _times(value: float | None) -> float | None:
    return None if value is None else FAR * value


def _full_scale(abilities: Abilities) -> float | None:
    return _times(max(*abilities.ranges, abilities.offset or 0.0, 0.0)) if abilities.ranges else None


def _slowest(abilities: Abilities) -> float | None:
    return FAR / abilities.least_rate if abilities.least_rate else None


_FAR_BEYOND_ABILITY: Mapping[str, Callable[[Abilities], float | None]] = {
    **dict.fromkeys(("input.range", "input.offset", "input.upper", "input.lower", "trigger.level"), _full_scale),
    "trigger.hysteresis": _full_scale,
    "timebase.interval": _slowest,
    "timebase.rate": lambda abilities: _times(abilities.rate),
    "timebase.points": lambda abilities: _times(abilities.points),
    "frequency": lambda abilities: _times(abilities.frequency),
    **dict.fromkeys(
        ("voltage", "voltage_protection", "measured.voltage", "amplitude", "offset"),
        lambda abilities: _times(abilities.voltage),
    ),
    **dict.fromkeys(
        ("current_limit", "current_protection", "measured.current"), lambda abilities: _times(abilities.current)
    ),
}
