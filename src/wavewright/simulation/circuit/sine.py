"""A sine."""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from typing import Annotated, ClassVar

from pydantic import Field

from wavewright.grammar.quantity_fields import ToleranceIn, Volts
from wavewright.quantities import Interval
from wavewright.simulation.circuit.drivers import DrivenEntry, Driver
from wavewright.simulation.circuit.motion import Motion, Sinusoid
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.surroundings import Load


class SineEntry(DrivenEntry):
    """A sine on a level."""

    frequency: Annotated[Interval, ToleranceIn("Hz", "1 kHz ± 1 %")] = Field(
        description="frequency", examples=["1 kHz ± 1 %"]
    )
    amplitude: Volts = Field(description="half the peak-to-peak voltage", examples=["1 V"])
    offset: Volts = Field(default=0.0, description="voltage in the middle of the sine", examples=["2.5 V"])
    second_harmonic: Volts = Field(default=0.0, description="amplitude at twice the frequency", examples=["10 mV"])
    third_harmonic: Volts = Field(default=0.0, description="amplitude at three times the frequency", examples=["5 mV"])


@node_kind("sine")
class Sine:
    """A sine on a level, with distortion where wanted; 0 at time 0 and rising."""

    entry: ClassVar[type[NodeEntry]] = SineEntry

    def __init__(self, making: NodeContext[SineEntry]) -> None:
        entry = making.entry
        self.frequency = making.drawn(entry.frequency)
        self._amplitudes = (entry.amplitude, entry.second_harmonic, entry.third_harmonic)
        self._offset, self._driver = entry.offset, Driver(making)

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """A steady sine."""
        del end, memory
        turned = cmath.exp(-0.5j * math.pi)
        tones = tuple(
            Sinusoid(order * self.frequency, amplitude * turned)
            for order, amplitude in enumerate(self._amplitudes, 1)
            if amplitude
        )
        return self._driver.motion(Motion(self._offset, tones=tones), start, load)

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """The offset with all amplitudes on either side, and 0 V without power."""
        del start, end
        most = sum(map(abs, self._amplitudes))
        return min(0.0, self._offset - most), max(0.0, self._offset + most)

    def truth(self) -> Mapping[str, float]:
        """Frequency, mean, distortion; the peak-to-peak value of a sine without distortion."""
        first, *rest = self._amplitudes
        found = {"frequency": self.frequency, "mean": self._offset}
        return found | ({"thd": math.hypot(*rest) / first} if any(rest) else {"peak_to_peak": 2 * first})

    def quiet_until(self, moment: float) -> float:
        """Never quiet while it is powered."""
        return self._driver.quiet_until(moment)
