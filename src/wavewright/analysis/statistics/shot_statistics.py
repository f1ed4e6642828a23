"""Statistics of one metric over the shots of a measurement: mean, scatter, extremes, percentiles, trend."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.reading import Reading
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Floats

if TYPE_CHECKING:
    import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class ShotTrend:
    """A straight line through the values by least squares.

    Parameters
    ----------
    slope : in the values' unit per shot (or per unit of the places that were given).
    uncertainty : standard uncertainty of the slope, from the scatter about the line with n − 2 degrees of freedom.
    intercept : value of the line at place 0.
    """

    slope: float
    uncertainty: float
    intercept: float

    @property
    def is_significant(self) -> bool:
        """Whether the slope is more than three standard uncertainties from 0 (a rule of thumb, no test)."""
        return abs(self.slope) > 3 * self.uncertainty


@dataclass(frozen=True, slots=True)
class ShotStatistics:
    """Statistics over the shots of a measurement.

    Parameters
    ----------
    count : shots with a value; `missing` is the number of those without.
    standard_deviation : with n − 1; None for a single shot.
    uncertainty : of the mean (JCGM 100:2008, 4.2.3); None for a single shot.
    autocorrelation : of neighbouring shots (lag 1); None where all values are the same. Far from 0 means that the shots
        are not independent and that `uncertainty` is too small or too large.
    trend : None below three shots.
    """

    unit: str
    count: int
    missing: int
    mean: float
    standard_deviation: float | None
    uncertainty: float | None
    minimum: float
    maximum: float
    lowest_shot: int
    highest_shot: int
    autocorrelation: float | None
    trend: ShotTrend | None
    values: tuple[float, ...]

    def percentile(self, percent: float) -> float:
        """The value below which `percent` of the shots lie, interpolated between neighbours (NumPy's `linear`)."""
        if not 0 <= percent <= 100:
            raise Misuse(f"percentile {percent:g}", expected="0 .. 100")
        return float(np.percentile(self.values, percent))

    def percentiles(self, percents: Sequence[float]) -> tuple[float, ...]:
        """The same for several at once, each from 0 to 100, which takes no longer than for one."""
        return tuple(np.percentile(self.values, percents).tolist())


def shot_statistics(readings: Sequence[Reading]) -> ShotStatistics:
    """The statistics of one metric's readings, one per shot, in the order of the shots.

    Raises
    ------
    NotMeasurable : no shot has a value; gives the first reason.
    """
    places = [shot for shot, reading in enumerate(readings) if reading.value is not None]
    values = [reading.value for reading in readings if reading.value is not None]
    if not values:
        reason = next((reading.reason for reading in readings if reading.reason), "there are no shots")
        raise NotMeasurable(f"none of {len(readings)} shots has a value: {reason}", expected="at least one")
    units = {reading.unit for reading in readings if reading.value is not None}
    if len(units) > 1:
        raise Misuse(f"readings in {' and '.join(sorted(units))}", expected="the same unit in all shots")
    each = np.array(values, dtype=np.float64)
    mean, deviation = mean_and_deviation(each)
    return ShotStatistics(
        unit=units.pop(),
        count=each.size,
        missing=len(readings) - each.size,
        mean=mean,
        standard_deviation=deviation,
        uncertainty=None if deviation is None else deviation / math.sqrt(each.size),
        minimum=float(each.min()),
        maximum=float(each.max()),
        lowest_shot=places[int(each.argmin())],
        highest_shot=places[int(each.argmax())],
        autocorrelation=lag_one_autocorrelation(each),
        trend=trend(each, places=places) if each.size > 2 else None,
        values=tuple(each.tolist()),
    )


def mean_and_deviation(values: npt.ArrayLike) -> tuple[float, float | None]:
    """Mean and standard deviation (n − 1), in two passes with exact sums, so that a large mean costs no digits.

    Parameters
    ----------
    values : shape (n,), n ≥ 1. The deviation of one value is None.
    """
    each = np.asarray(values, dtype=np.float64)
    mean = math.fsum(each) / each.size
    if each.size < 2:
        return mean, None
    off = each - mean
    return mean, math.sqrt(math.fsum(off * off) / (each.size - 1))


def lag_one_autocorrelation(values: npt.ArrayLike) -> float | None:
    """Correlation of each value with the next: Σ (x₍ᵢ₎ − m)(x₍ᵢ₊₁₎ − m) / Σ (x₍ᵢ₎ − m)². None without scatter."""
    each = np.asarray(values, dtype=np.float64)
    off = each - math.fsum(each) / max(each.size, 1)
    squares = math.fsum(off * off)
    return math.fsum(off[1:] * off[:-1]) / squares if squares > 0 else None


def trend(values: npt.ArrayLike, *, places: Sequence[float] | Floats | None = None) -> ShotTrend:
    """The straight line through values by least squares, and how well its slope is known.

    Parameters
    ----------
    values : shape (n,), n ≥ 3.
    places : where each value is, shape (n,): shot numbers 0, 1, 2, … where left out; or times in s.

    Raises
    ------
    NotMeasurable : fewer than three values, or all in one place.
    """
    each = np.asarray(values, dtype=np.float64)
    at = np.arange(each.size, dtype=np.float64) if places is None else np.asarray(places, dtype=np.float64)
    if each.size < 3 or at.min() == at.max():
        raise NotMeasurable(f"trend of {each.size} values", expected="at least 3, in more than one place")
    middle = math.fsum(at) / at.size
    mean = math.fsum(each) / each.size
    across = at - middle
    width = math.fsum(across * across)
    slope = math.fsum(across * (each - mean)) / width
    left = each - mean - slope * across
    scatter = math.sqrt(math.fsum(left * left) / (each.size - 2))
    return ShotTrend(slope=slope, uncertainty=scatter / math.sqrt(width), intercept=mean - slope * middle)
