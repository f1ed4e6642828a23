"""Straight lines by least squares: through any points, and through a waveform."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.elementary.sums import inner
from wavewright.analysis.expressions.dimensions import quotient
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.blocks import DOT_BLOCK, spans
from wavewright.analysis.record.time_gate import segment
from wavewright.analysis.sense import ANY
from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.analysis.record.survey import Survey
    from wavewright.waveform import Floats, Waveform

SOURCE = "math: least squares"


@dataclass(frozen=True, slots=True)
class FittedLine:
    """intercept + slope · x, with standard uncertainties and the standard deviation of the residuals (n − 2).

    The uncertainties hold for residuals that are independent of each other. `middle` is the mean x, at which the line's
    height and its slope are uncorrelated.
    """

    slope: float
    intercept: float
    slope_uncertainty: float
    intercept_uncertainty: float
    residual: float
    size: int
    middle: float

    @property
    def degrees_of_freedom(self) -> int:
        """Of all of its uncertainties: points less two."""
        return self.size - 2

    @property
    def covariance(self) -> float:
        """Of intercept and slope (JCGM 100:2008, H.3.3 †)."""
        return -self.middle * square(self.slope_uncertainty)

    @property
    def correlation(self) -> float:
        """Correlation coefficient of intercept and slope; 0 where one of them has no uncertainty."""
        scale = self.slope_uncertainty * self.intercept_uncertainty
        return self.covariance / scale if scale else 0.0

    def at(self, x: float) -> tuple[float, float]:
        """The line's value at x, and the standard uncertainty of it (JCGM 100:2008, H.3.4 †)."""
        height = self.residual / math.sqrt(self.size)
        return self.intercept + self.slope * x, math.hypot(height, self.slope_uncertainty * (x - self.middle))


def fit_line(x: Floats, y: Floats) -> FittedLine:
    """The line through points; shape (n,) each, n ≥ 2.

    Raises
    ------
    NotMeasurable : fewer than two different x.
    """
    middle, height = float(x.mean()), float(y.mean()) if y.size else 0.0
    places, values = x - middle, y - height
    spread = inner(places, places)
    if x.size < 2 or not spread > 0:
        raise NotMeasurable(f"a line through {x.size} points", expected="at least two with different x")
    slope = inner(places, values) / spread
    residuals = values - slope * places
    squares = inner(residuals, residuals)
    return _described(slope, x.size, middle=middle, height=height, spread=spread, squares=squares)


def fit_line_to(wave: Waveform) -> FittedLine:
    """The line through the samples of a waveform against time, s; the record is read in blocks."""
    size = len(wave)
    middle = (size - 1) / 2
    total, product = 0.0, 0.0
    base = wave.value_of(float(wave.codes[0]))
    # squares of very small or very large values would leave the range of float64
    unit = max(abs(wave.value_of(float(code)) - base) for code in (wave.codes.min(), wave.codes.max())) or 1.0
    for first, last in spans(0, size, DOT_BLOCK):
        values = (wave.values(first, last) - base) / unit
        total += float(values.sum())
        product += inner(values, np.arange(first, last, dtype=np.float64) - middle)
    spread = size * (square(size) - 1) / 12  # sum of squares of the whole numbers around their mean
    slope, height = product / spread, total / size
    squares = 0.0
    for first, last in spans(0, size, DOT_BLOCK):
        values = (wave.values(first, last) - base) / unit - height
        values -= slope * (np.arange(first, last) - middle)
        squares += inner(values, values)
    centre = (wave.time_of(0) + wave.time_of(size - 1)) / 2
    line = _described(slope, size, middle=0.0, height=height, spread=spread, squares=squares)
    slope = line.slope * unit / wave.interval
    slope_uncertainty = line.slope_uncertainty * unit / wave.interval
    return FittedLine(
        slope=slope,
        intercept=base + line.intercept * unit - slope * centre,
        slope_uncertainty=slope_uncertainty,
        intercept_uncertainty=math.hypot(line.intercept_uncertainty * unit, slope_uncertainty * centre),
        residual=line.residual * unit,
        size=size,
        middle=centre,
    )


@metric("slope", reads=Reads.SAMPLES, unit="V/s", source=SOURCE)
def slope(
    survey: Survey, *, after: Annotated[float, "s", ANY] | None = None, until: Annotated[float, "s", ANY] | None = None
) -> Reading:
    """Slope of the straight line that fits best, of the whole record or a part of it.

    Definition
    ----------
    b in a + b·t, such that the sum of the squared residuals is smallest.

    Parameters
    ----------
    after, until : the part of the record, s on the waveform's time axis; left out: from the first, to the last sample.

    Returns
    -------
    Reading in the waveform's unit per s. Doubt `noisy` where the line rises less than twice the scatter about it.
    """
    wave = segment(survey, least=3, after=after, until=until, may_be_constant=True)
    line = fit_line_to(wave)
    is_lost = abs(line.slope) * wave.duration < 2 * line.residual
    return Reading(
        line.slope,
        quotient(survey.unit, "s"),
        uncertainty=line.slope_uncertainty,
        doubts=(Doubt.NOISY,) if is_lost else (),
    )


@metric("line_residual", reads=Reads.SAMPLES, unit="", source=SOURCE)
def line_residual(
    survey: Survey, *, after: Annotated[float, "s", ANY] | None = None, until: Annotated[float, "s", ANY] | None = None
) -> Reading:
    """Line residual: standard deviation about the straight line that fits best; options as for `slope`.

    Definition
    ----------
    √(Σ (v − a − b·t)² / (n − 2)).
    """
    line = fit_line_to(segment(survey, least=3, after=after, until=until, may_be_constant=True))
    return Reading(line.residual, survey.unit, uncertainty=line.residual / math.sqrt(2 * max(1, line.size - 2)))


def _described(slope: float, size: int, *, middle: float, height: float, spread: float, squares: float) -> FittedLine:
    variance = squares / (size - 2) if size > 2 else 0.0
    return FittedLine(
        slope=slope,
        intercept=height - slope * middle,
        slope_uncertainty=math.sqrt(variance / spread),
        intercept_uncertainty=math.sqrt(variance * (1 / size + square(middle) / spread)),
        residual=math.sqrt(variance),
        size=size,
        middle=middle,
    )
