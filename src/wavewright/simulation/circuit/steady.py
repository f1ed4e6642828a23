"""A level that stays where it is, with a ripple or without."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from wavewright.grammar.quantity_fields import ToleranceIn, Volts
from wavewright.quantities import Interval
from wavewright.simulation.circuit.drivers import DrivenEntry, Driver
from wavewright.simulation.circuit.motion import Motion, polyline
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.surroundings import Load

PERIODS_BEFORE = 16


class SteadyEntry(DrivenEntry):
    """A level with a triangular ripple on it."""

    level: Annotated[Interval, ToleranceIn("V", "5 V ± 1 %")] = Field(
        description="mean voltage", examples=["5 V ± 1 %"]
    )
    ripple: Volts = Field(default=0.0, description="peak to peak, of a triangle", examples=["15 mV"])
    ripple_frequency: Annotated[Interval, ToleranceIn("Hz", "100 kHz ± 2 %")] = Field(
        default=Interval(100e3, 100e3, "Hz"), description="frequency of the ripple", examples=["100 kHz ± 2 %"]
    )


@node_kind("steady")
class Steady:
    """A level that stays where it is: a supply, a reference, a pulled line. With a triangular ripple where wanted."""

    entry: ClassVar[type[NodeEntry]] = SteadyEntry

    def __init__(self, making: NodeContext[SteadyEntry]) -> None:
        entry = making.entry
        self.level, self._ripple = making.drawn(entry.level), entry.ripple
        self._frequency = making.drawn(entry.ripple_frequency)
        self._driver = Driver(making)

    def is_up(self, moment: float) -> bool:
        """Whether it stands at its level."""
        return self._driver.is_powered(moment)

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The level and its ripple."""
        del memory
        if not self._ripple:
            return self._driver.motion(Motion(self.level), start, load)
        period = 1 / self._frequency
        first = math.floor(start / period) - PERIODS_BEFORE
        turns = np.arange(2 * first, 2 * (math.ceil(end / period) + 1)) / 2
        volts = self.level + self._ripple * np.where(turns % 1 == 0, -0.5, 0.5)
        return self._driver.motion(polyline(turns * period, volts).settled_on(self.level), start, load)

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """The level with half the ripple on either side, and 0 V without power."""
        del start, end
        low, high = self.level - self._ripple / 2, self.level + self._ripple / 2
        return min(0.0, low), max(0.0, high)

    def truth(self) -> Mapping[str, float]:
        """Level and ripple."""
        found = {"mean": self.level, "peak_to_peak": self._ripple}
        return found | ({"strongest_tone": self._frequency} if self._ripple else {})

    def quiet_until(self, moment: float) -> float:
        """Without ripple it never moves while it is powered."""
        quiet = self._driver.quiet_until(moment)
        return quiet if self._ripple or quiet > moment else self._driver.power_ends(moment)
