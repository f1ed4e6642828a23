"""Lines as a scope sees them: levels that are held, damage done to them, and samples. Nothing here knows a decoder."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from wavewright.buses.frame import Frame
from wavewright.waveform import Waveform

HIGH = 3.3  # V


class Wire:
    """One line: the level at the beginning, and the instants, s, at which it turns over."""

    def __init__(self, level: int = 1) -> None:
        self.first, self.level, self.now = level, level, 0.0
        self.turns: list[float] = []

    def hold(self, level: int, lasting: float) -> None:
        """Keep a level for some seconds from now on."""
        if level != self.level:
            self.turns.append(self.now)
            self.level = level
        self.now += lasting

    def send(self, bits: str, bit: float) -> None:
        """Hold one level after the other for a bit time, s, each."""
        for sign in bits:
            if sign in "01":
                self.hold(int(sign), bit)

    def upset(self, begin: float, lasting: float) -> None:
        """Turn the line over from an instant on for some seconds."""
        for instant in (begin, begin + lasting):
            place = bisect_left(self.turns, instant)
            if place < len(self.turns) and self.turns[place] == instant:
                del self.turns[place]
            else:
                self.turns.insert(place, instant)

    def sampled(
        self, begin: float, end: float, *, interval: float, phase: float, generator: np.random.Generator
    ) -> Waveform:
        """Samples between two instants, s, with a little noise that no threshold notices."""
        count = int((end - begin) / interval)
        instants = begin + (phase + np.arange(count)) * interval
        turned = np.searchsorted(np.array(self.turns), instants, side="right")
        levels = (turned + self.first) % 2
        volts = HIGH * levels + generator.normal(0, 0.05, count)
        codes = np.clip(np.rint(volts * 30), -128, 127).astype(np.int8)
        return Waveform(codes, gain=1 / 30, interval=interval, start=float(begin + phase * interval))

    def level_at(self, instant: float) -> int:
        return (bisect_right(self.turns, instant) + self.first) % 2


@dataclass(slots=True)
class Said:
    """One frame that was sent: when, s, and what it says; `leans` on the frame before it, without which it is none."""

    start: float
    end: float
    what: Any
    leans: bool = False


@dataclass
class Traffic:
    """What was sent on the lines of a bus.

    Parameters
    ----------
    wires : by the names that the bus has for them.
    bit : s; `near` : so near to a frame damage may harm it, s.
    options : how it is decoded.
    flippable : whether a bit that is turned over shows by a check of the frame itself.
    samples : a bit, between these.
    shortest, longest : of a glitch, bits.
    tolerance : bits, by which a frame that damage was done to may begin late or early.
    """

    bus: str
    wires: dict[str, Wire]
    said: list[Said]
    bit: float
    near: float
    options: dict[str, Any] = field(default_factory=dict)
    flippable: bool = False
    samples: tuple[float, float] = (5.0, 25.0)
    shortest: float = 0.05
    longest: float = 0.4
    tolerance: float = 1.5

    @property
    def end(self) -> float:
        return max(wire.now for wire in self.wires.values())

    def says(self, frame: Frame) -> Any:
        """What a frame says, in the words of `Said.what`."""
        return WHAT[self.options.get("then", self.bus)](frame)


def _data(frame: Frame) -> Any:
    return frame.fields.get("data")


WHAT = {
    "uart": _data,
    "can": lambda frame: (frame.kind, frame.fields.get("identifier"), frame.fields.get("data")),
    "lin": lambda frame: (frame.fields.get("identifier"), frame.fields.get("data")),
    "onewire": _data,
    "manchester": _data,
    "parallel": _data,
    "i2s": lambda frame: (frame.kind, frame.fields.get("sample")),
    "spi": lambda frame: (frame.fields.get("mosi"), frame.fields.get("miso")),
    "i2c": lambda frame: (frame.fields.get("address"), frame.fields.get("read"), frame.fields.get("data")),
    "smbus": lambda frame: (frame.fields.get("address"), frame.fields.get("command"), frame.fields.get("data")),
    "modbus_rtu": lambda frame: (frame.fields.get("address"), frame.fields.get("function"), frame.fields.get("data")),
}
