"""What was recognised on one line, and on several together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Kind(StrEnum):
    """What there can be on a line."""

    NOTHING = "nothing"
    STEADY = "steady"
    NOISE = "noise"
    SINE = "sine"
    CLOCK = "clock"
    PULSES = "pulses"
    EDGE = "edge"
    SERIAL = "serial"
    UNKNOWN = "unknown"


TWO_STATES = frozenset({Kind.CLOCK, Kind.PULSES, Kind.EDGE, Kind.SERIAL})


@dataclass(frozen=True, slots=True)
class SerialLine:
    """What is spoken on a line: bus and layer above it, the options that differ from their defaults, and words of it.

    Parameters
    ----------
    is_inverted : the line is the inverse of what the bus expects, and no option of the bus says so.
    frames : how many were decoded; said : the first of them, in words; span : from the first of these to the last, s.
    """

    bus: str
    options: Mapping[str, Any] = field(default_factory=dict)
    then: str = ""
    is_inverted: bool = False
    frames: int = 0
    said: tuple[str, ...] = ()
    span: float = 0.0


@dataclass(frozen=True, slots=True)
class Recognised:
    """What is on one line, in SI units; None where it does not apply.

    Parameters
    ----------
    level : mean of a line that stays where it is; low, high : its two states, or its lowest and highest value.
    frequency : of what repeats itself; duty_factor : of two states; ripple : peak to peak, on a steady level.
    pulse : shortest time between two edges, s.
    doubts : sentences that speak against what is said here.
    """

    kind: Kind
    level: float | None = None
    low: float | None = None
    high: float | None = None
    frequency: float | None = None
    duty_factor: float | None = None
    ripple: float | None = None
    ripple_frequency: float | None = None
    pulse: float | None = None
    serial: SerialLine | None = None
    unit: str = "V"
    doubts: tuple[str, ...] = ()

    @property
    def middle(self) -> float | None:
        """Half way between the two states."""
        return None if self.low is None or self.high is None else (self.low + self.high) / 2

    def as_json(self) -> dict[str, Any]:
        """Plain numbers in SI units; what does not apply is absent."""
        named: dict[str, Any] = {
            "kind": self.kind.value,
            "level": self.level,
            "low": self.low,
            "high": self.high,
            "frequency": self.frequency,
            "duty_factor": self.duty_factor,
            "ripple": self.ripple,
            "ripple_frequency": self.ripple_frequency,
        }
        plain = {name: value for name, value in named.items() if value is not None}
        if self.serial is not None:
            plain |= serial_json(self.serial)
        return plain | {"doubts": list(self.doubts)}


@dataclass(frozen=True, slots=True)
class Together:
    """Several lines that belong to one bus: names of the lines by the bus's own channel names."""

    serial: SerialLine
    lines: Mapping[str, str]


def serial_json(serial: SerialLine) -> dict[str, Any]:
    """Bus, layer, options and the first words as plain values."""
    plain: dict[str, Any] = {"bus": serial.bus, "options": dict(serial.options)}
    if serial.then:
        plain["then"] = serial.then
    if serial.is_inverted:
        plain["inverted"] = True
    return plain | {"frames": serial.frames, "said": list(serial.said)}
