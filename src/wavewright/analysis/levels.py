"""State levels: where a two-state waveform dwells, by the methods of IEEE 181-2011 (from memory, not verified)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from wavewright.analysis.histogram import Histogram
from wavewright.errors import NotMeasurable


class LevelMethod(StrEnum):
    """How the level of a state is estimated from the samples of its half of the record."""

    MODE = "mode"
    EXTREMES = "extremes"


@dataclass(frozen=True, slots=True)
class StateLevels:
    """Low and high state level, in the waveform's unit, and the method that found them."""

    low: float
    high: float
    method: LevelMethod

    @property
    def amplitude(self) -> float:
        """High minus low state level."""
        return self.high - self.low


BINS = 256


def mode_codes(histogram: Histogram) -> tuple[float, float]:
    """Codes of the two state levels by histogram mode: the most populated bin of each half of the range."""
    lowest, highest = histogram.extremes
    bins = np.minimum(((histogram.codes - lowest) / (highest - lowest) * BINS).astype(int), BINS - 1)
    counts = np.bincount(bins, weights=histogram.counts, minlength=BINS)
    sums = np.bincount(bins, weights=histogram.counts * histogram.codes, minlength=BINS)
    low = int(np.argmax(counts[: BINS // 2]))
    high = BINS - 1 - int(np.argmax(counts[: BINS // 2 - 1 : -1]))
    return float(sums[low] / counts[low]), float(sums[high] / counts[high])


def require_two_codes(histogram: Histogram, name: str) -> None:
    """Raise NotMeasurable unless the record holds at least two different codes."""
    if histogram.codes.size < 2:
        found = "no valid sample" if not histogram.codes.size else "a constant"
        raise NotMeasurable(
            f"state levels of `{name}`: {found}",
            expected="at least two different codes",
            do="check that the signal is there, or lengthen the record",
        )
