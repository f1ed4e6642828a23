"""Noise of a given strength and bandwidth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np
from pydantic import Field

from wavewright.errors import Misuse
from wavewright.grammar.quantity_fields import Hertz, Volts
from wavewright.simulation.circuit.drivers import DrivenEntry, Driver
from wavewright.simulation.circuit.edges import scattered
from wavewright.simulation.circuit.motion import Floats, Motion, polyline
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.surroundings import Load

POINTS_PER_HERTZ = 4.0  # levels per second that are drawn, for each hertz of the bandwidth
MOST_POINTS = 1_000_000
RMS_OF_LINES = math.sqrt(2 / 3)  # of straight lines between independent levels, of one of these (math)


class NoiseEntry(DrivenEntry):
    """Gaussian noise on a level."""

    rms: Volts = Field(description="root of the mean square about the level", examples=["20 mV"])
    level: Volts = Field(default=0.0, description="mean voltage", examples=["0 V"])
    bandwidth: Hertz = Field(default=100e3, description="about where the noise ends", examples=["100 kHz"])


@node_kind("noise")
class Noise:
    """Gaussian noise: straight lines between independent normal levels, the same for one seed whenever one looks."""

    entry: ClassVar[type[NodeEntry]] = NoiseEntry

    def __init__(self, making: NodeContext[NoiseEntry]) -> None:
        entry = making.entry
        self._rms, self._level, self._rate = entry.rms, entry.level, POINTS_PER_HERTZ * entry.bandwidth
        if not entry.bandwidth > 0:
            raise Misuse("noise without bandwidth", expected="above 0 Hz")
        self._driver = Driver(making)
        self._salt = np.uint64(making.generator.integers(1 << 62))

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The noise; in a record of very many levels it is drawn more slowly, and as strong."""
        del memory
        rate = min(self._rate, MOST_POINTS / (end - start)) if end > start else self._rate
        index = np.arange(math.floor(start * rate) - 1, math.ceil(end * rate) + 1)
        volts = self._level + self._rms / RMS_OF_LINES * normal(index, self._salt)
        line = polyline(index / rate, volts).settled_on(self._level)
        return self._driver.motion(line, start, load)

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """Eight times the rms on either side: beyond that no level is drawn in a lifetime."""
        del start, end
        most = 8 * self._rms / RMS_OF_LINES
        return min(0.0, self._level - most), max(0.0, self._level + most)

    def truth(self) -> Mapping[str, float]:
        """Mean and rms about it."""
        return {"mean": self._level, "ac_rms": self._rms}

    def quiet_until(self, moment: float) -> float:
        """Never quiet while it is powered."""
        return self._driver.quiet_until(moment)


def normal(index: np.ndarray[Any, np.dtype[np.int64]], salt: np.uint64) -> Floats:
    """A standard normal value for each index, the same every time for one salt (Box and Muller, 1958 †)."""
    numbers = index.astype(np.uint64) + salt
    first = (scattered(numbers).astype(np.float64) + 0.5) / 2.0**64
    second = scattered(numbers ^ np.uint64(0x5A5A5A5A5A5A5A5A)).astype(np.float64) / 2.0**64
    return np.asarray(np.sqrt(-2 * np.log(np.minimum(first, 1 - 2**-54))) * np.cos(2 * math.pi * second))
