"""Scales: from the numbers of an axis to places in a drawing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wavewright.reporting.picture import Axis

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class AxisScale:
    """A stretch of a drawing and what it stands for.

    Parameters
    ----------
    low, high : ends of the axis; first, last : the places of the two.
    is_log : whether equal ratios are equally long.
    """

    low: float
    high: float
    first: float
    last: float
    is_log: bool = False

    @classmethod
    def of(cls, axis: Axis, first: float, last: float) -> AxisScale:
        """The scale of an axis between two places; one of no length gets some."""
        low, high = axis.low, axis.high
        if not high > low:
            high = low + (abs(low) or 1.0)
        return cls(low, high, first, last, axis.is_log and low > 0)

    def place(self, value: float) -> float:
        """Where a value is; not limited to the ends."""
        if self.is_log:
            if not value > 0:
                return self.first
            share = math.log(value / self.low) / math.log(self.high / self.low)
        else:
            share = (value - self.low) / (self.high - self.low)
        return self.first + share * (self.last - self.first)

    def places(self, values: npt.ArrayLike) -> Floats:
        """Where values are, shape (n,); NaN stays NaN."""
        numbers = np.asarray(values, dtype=np.float64)
        if self.is_log:
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.log(np.maximum(numbers, self.low * 1e-3) / self.low) / math.log(self.high / self.low)
        else:
            share = (numbers - self.low) / (self.high - self.low)
        found: Floats = self.first + share * (self.last - self.first)
        return found

    def holds(self, value: float) -> bool:
        """Whether a value is between the ends."""
        return self.low <= value <= self.high
