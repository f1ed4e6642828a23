"""Limits: what a reading must satisfy, and how far it is from the nearer end."""

from __future__ import annotations

import math
from dataclasses import dataclass

from wavewright.quantities import Interval, read_interval


@dataclass(frozen=True, slots=True)
class Margin:
    """How far inside the limit a value is; negative outside.

    Parameters
    ----------
    value : distance to the nearer end, in the limit's unit.
    fraction : that distance over half the width of the interval, or over the magnitude of the end where there is
        only one; None where that is 0.
    """

    value: float
    fraction: float | None


@dataclass(frozen=True, slots=True)
class Limit:
    """An interval of acceptable values, both ends included, and the words that stated it."""

    interval: Interval
    text: str = ""

    @classmethod
    def read(cls, text: str, *, unit: str) -> Limit:
        """From the words of a recipe: `at most 40 mV`, `2.2 ms ± 20 %`, ….

        Raises
        ------
        Misuse : they are not a limit in that unit.
        """
        return cls(read_interval(text, unit=unit), " ".join(text.split()))

    @property
    def unit(self) -> str:
        """The unit of both ends."""
        return self.interval.unit

    def __str__(self) -> str:
        return self.text or str(self.interval)

    def holds(self, value: float) -> bool:
        """Whether a value in the limit's unit is acceptable."""
        return value in self.interval

    def margin(self, value: float) -> Margin:
        """The distance of a value to the nearer end."""
        low, high = self.interval.low, self.interval.high
        distance = min(value - low, high - value)
        ends = [abs(end) for end in (low, high) if math.isfinite(end)]
        scale = (high - low) / 2 if len(ends) == 2 else ends[0] if ends else 0.0
        return Margin(distance, distance / scale if scale else None)
