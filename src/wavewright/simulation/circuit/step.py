"""A change of level, once after power comes, or again and again; as a capacitance makes it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import ClassVar

import numpy as np
from pydantic import Field

from wavewright.grammar.quantity_fields import Seconds, Volts
from wavewright.simulation.circuit.drivers import MOST_PERIODS, DrivenEntry, Driver
from wavewright.simulation.circuit.edges import charged
from wavewright.simulation.circuit.motion import Motion, polyline
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.surroundings import Load


class StepEntry(DrivenEntry):
    """A step from one level to another, and back half a time later."""

    low: Volts = Field(default=0.0, description="level before the step", examples=["0 V"])
    high: Volts = Field(description="level after the step", examples=["5 V"])
    every: Seconds = Field(description="time from one step up to the next", examples=["100 ms"])
    lasting: Seconds | None = Field(
        default=None, description="time until it steps back; half of `every` if left out", examples=["20 ms"]
    )
    time_constant: Seconds = Field(default=0.0, description="of an exponential rise and fall", examples=["1 ms"])
    transition: Seconds = Field(
        default=10e-9, description="duration of a step without a time constant", examples=["10 ns"]
    )


@node_kind("step")
class Step:
    """A change of level again and again: a load that is switched, a charging capacitor, a slow control line.

    With a time constant the level goes exponentially: after one of them 63.2 % of the step are done (math).
    """

    entry: ClassVar[type[NodeEntry]] = StepEntry

    def __init__(self, making: NodeContext[StepEntry]) -> None:
        entry = making.entry
        self._low, self._high, self._every = entry.low, entry.high, entry.every
        self._lasting = entry.every / 2 if entry.lasting is None else entry.lasting
        self._constant, self._transition = entry.time_constant, entry.transition
        self._driver = Driver(making)

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The steps."""
        before = min(math.ceil((memory + 40 * self._constant) / self._every), MOST_PERIODS) + 1
        first, last = math.floor(start / self._every) - before, math.ceil(end / self._every) + 1
        ups = np.arange(first, last) * self._every
        times = np.stack((ups, ups + self._lasting), axis=1).ravel()
        after = np.tile([self._high, self._low], ups.size)
        ahead = np.tile([self._low, self._high], ups.size)
        if self._constant:
            line = polyline(np.repeat(times, 2)[1:], np.stack((ahead, after), axis=1).ravel()[1:]).settled_on(self._low)
            return self._driver.motion(charged(line, self._constant, self._constant), start, load)
        corners = np.stack((times, times + self._transition), axis=1).ravel()
        return self._driver.motion(polyline(corners, np.stack((ahead, after), axis=1).ravel()), start, load)

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """Between the two levels, and 0 V without power."""
        del start, end
        return min(0.0, self._low, self._high), max(0.0, self._low, self._high)

    def truth(self) -> Mapping[str, float]:
        """The levels; with a time constant that and the 10–90 % rise time, ln 9 times it (math)."""
        found = {"minimum": self._low, "maximum": self._high}
        if self._constant:
            found |= {"time_constant": self._constant, "rise_time": math.log(9) * self._constant}
        return found

    def quiet_until(self, moment: float) -> float:
        """Never quiet while it is powered, since a slow rise never ends."""
        return self._driver.quiet_until(moment)
