"""Code histograms: how often each code occurs, from which every vertical metric follows exactly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wavewright.waveform import Codes


@dataclass(frozen=True, slots=True, eq=False)
class Histogram:
    """Distinct codes in ascending order and how many samples have each.

    Parameters
    ----------
    codes : shape (m,), strictly ascending; float64 holds every 32-bit code exactly.
    counts : shape (m,), int64, all > 0. Invalid samples (NaN, infinite) are in none.
    """

    codes: npt.NDArray[np.float64]
    counts: npt.NDArray[np.int64]

    @property
    def total(self) -> int:
        """Number of samples counted."""
        return int(self.counts.sum())

    @property
    def extremes(self) -> tuple[float, float]:
        """Lowest and highest code that occur."""
        return float(self.codes[0]), float(self.codes[-1])


def histogram_of(codes: Codes) -> Histogram:
    """Count every distinct code.

    Parameters
    ----------
    codes : shape (n,), integers or floats; samples that are not finite are left out.
    """
    valid = codes[np.isfinite(codes)] if codes.dtype.kind == "f" else codes
    distinct, counts = np.unique(valid, return_counts=True)
    return Histogram(distinct.astype(np.float64), counts.astype(np.int64))
