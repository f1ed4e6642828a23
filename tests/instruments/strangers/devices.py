"""A supply, a source, a meter and a digitizer: what each holds, and what it records of itself.

Nothing here is shared with the simulation or with the driver. The world is small: input 1 sees an eighth of the
supply's voltage with a ripple on it, input 2 sees the source.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

import numpy as np

RIPPLE = 1e3  # Hz


@dataclass
class World:
    """What is on the wires between the instruments."""

    volts: float = 0.0
    is_fed: bool = False
    amplitude: float = 0.0
    offset: float = 0.0
    frequency: float = 1e3
    is_driven: bool = False

    def at(self, number: int, times: np.ndarray) -> np.ndarray:
        """Volts at an input of the digitizer; times from the trigger, which is a rising crossing of the middle."""
        if number == 1:
            rail = self.volts / 8 if self.is_fed else 0.0
            return rail * (1 + 0.5 * np.sin(2 * math.pi * RIPPLE * times))
        drive = self.amplitude / 2 * np.sin(2 * math.pi * self.frequency * times) + self.offset
        return drive if self.is_driven else np.zeros_like(times)


@dataclass
class Device:
    """State by name, the error queue, and what happened: `history` has (name, value) of everything that was set."""

    world: World
    identity: str
    state: dict[str, float | str] = field(default_factory=dict)
    errors: list[tuple[int, str]] = field(default_factory=list)
    history: list[tuple[str, float | str]] = field(default_factory=list)
    has_restarted: bool = True
    overrules: dict[str, float] = field(default_factory=dict)  # what it uses whatever it is told
    is_stuck_on: bool = False

    def __post_init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """As after `*RST`."""
        self.state.clear()
        self.state.update(self.at_rest())
        self.settle()

    def restart(self) -> None:
        """As if the mains had failed for a moment."""
        self.errors.clear()
        self.has_restarted = True
        self.reset()

    def set(self, name: str, value: float | str) -> None:
        value = self.overrules.get(name, value)
        self.history.append((name, value))
        self.state[name] = value
        self.settle()

    def at_rest(self) -> dict[str, float | str]:
        return {}

    def settle(self) -> None:
        """Let the world know."""

    @property
    def is_on(self) -> bool:
        return bool(self.state.get("output")) or self.is_stuck_on

    @property
    def was_on(self) -> bool:
        return ("output", 1.0) in self.history


class Supply(Device):
    def at_rest(self) -> dict[str, float | str]:
        return {"voltage": 0.0, "current_limit": 0.1, "output": 0.0}

    def settle(self) -> None:
        self.world.volts, self.world.is_fed = float(self.state["voltage"]), self.is_on

    def measured(self) -> float:
        return self.world.volts if self.world.is_fed else 0.0


class Source(Device):
    def at_rest(self) -> dict[str, float | str]:
        return {"function": "SIN", "frequency": 1e3, "amplitude": 0.1, "offset": 0.0, "output": 0.0}

    def settle(self) -> None:
        world = self.world
        world.amplitude, world.offset = float(self.state["amplitude"]), float(self.state["offset"])
        world.frequency, world.is_driven = float(self.state["frequency"]), self.is_on


class Meter(Device):
    """At the board's supply terminals, with a sensor in the air at 23 °C; it comes up in Fahrenheit."""

    def at_rest(self) -> dict[str, float | str]:
        return {"quantity": "VOLT:DC", "seeks_range": 1.0, "warmth": "FAR"}

    def reading(self) -> float:
        if self.state["quantity"] != "TEMP":
            return 12.345
        # 23 °C is 73.4 °F and 296.15 K (NIST SP 811, B.8 †)
        return {"FAR": 73.4, "K": 296.15}.get(str(self.state["warmth"]), 23.0)


class Digitizer(Device):
    records = 0  # that were taken

    def at_rest(self) -> dict[str, float | str]:
        inputs = {
            f"{name}{number}": value
            for number in (1, 2, 3, 4)
            for name, value in (("range", 8.0), ("offset", 0.0), ("coupling", "DC"), ("lowpass", 0.0))
        }
        return {
            **inputs, "points": 1000.0, "interval": 1e-6, "position": 0.0, "reference": 0.0, "lead": 0.0,
            "level": 0.0, "slope": "POS", "trigger": "IMM", "auto": 0.0,
        }  # fmt: skip

    def codes(self, number: int, *, bits: int) -> np.ndarray:
        """Whole numbers, shape (points,), over the full scale; the trigger falls anywhere between two samples."""
        state = {name: float(value) for name, value in self.state.items() if isinstance(value, float)}
        points, interval = int(state["points"]), state["interval"]
        span = interval * (points - 1)
        start = state["reference"] - state["position"] * span - state["lead"]
        self.records += 1
        between = self.records * 0.618034 % 1 - 0.5
        volts = self.world.at(number, start + interval * (np.arange(points) + between))
        step = state[f"range{number}"] / 2**bits
        wide = np.rint((volts - state[f"offset{number}"]) / step)
        return np.clip(wide, -(2 ** (bits - 1)), 2 ** (bits - 1) - 1)


def short(word: str) -> str:
    """A word of SCPI in its short form: `POSitive` is `POS`."""
    return re.sub(r"[a-z]", "", word)
