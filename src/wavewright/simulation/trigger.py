"""An edge trigger as an instrument has it: level, slope, hysteresis, and the first edge that counts."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from wavewright.simulation.circuit.motion import Floats


@dataclass(frozen=True, slots=True)
class EdgeSetup:
    """Level and hysteresis in V at the connector; slope POS, NEG or EITH."""

    level: float
    hysteresis: float
    slope: str = "POS"


@dataclass(slots=True)
class EdgeDetector:
    """Looks through a signal piece by piece. A rising edge counts after the signal was below level − hysteresis."""

    setup: EdgeSetup
    _is_ready: dict[int, bool] = field(default_factory=lambda: {1: False, -1: False})
    _last: float | None = None

    def find(self, volts: Floats) -> tuple[float, int] | None:
        """Where the first edge lies, in samples from the beginning of this piece, interpolated, and which way it goes
        (1 up, −1 down); None: not in it.
        """
        directions = {"POS": (1,), "NEG": (-1,)}.get(self.setup.slope, (1, -1))
        places = [(place, sign) for sign in directions if (place := self._first(volts, sign)) is not None]
        if len(volts):
            self._last = float(volts[-1])
        return min(places, default=None)

    def stay(self, volts: float) -> None:
        """The signal has been at a voltage for some time."""
        for sign in (1, -1):
            self._is_ready[sign] = self._is_ready[sign] or sign * (volts - self.setup.level) < -self.setup.hysteresis
        self._last = volts

    def _first(self, volts: Floats, sign: int) -> float | None:
        height = sign * (volts - self.setup.level)
        begin = 0
        if not self._is_ready[sign]:
            ready = height < -self.setup.hysteresis
            begin = int(np.argmax(ready)) if ready.any() else len(height)
            if begin == len(height):
                return None
            self._is_ready[sign] = True
        above = height[begin:] >= 0
        if not above.any():
            return None
        at = begin + int(np.argmax(above))
        before = (
            height[at - 1] if at else sign * ((self._last if self._last is not None else volts[0]) - self.setup.level)
        )
        rise = height[at] - before
        return at - float(height[at] / rise) if rise > 0 and before < 0 else float(at)
