"""The edges of a line as one record shows them: where, how far apart, and whether they repeat themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wavewright.analysis.record.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats, Waveform

HYSTERESIS = 0.3  # of the extent: noise on a flat piece makes none
NEAR_A_STATE = 0.2  # of the extent
MOSTLY = 0.8  # of the samples that are near a state, where there are two
ALIKE = 0.05  # relative: periods that differ by less are the same
MOST = 0.9  # of the periods, which are alike where something repeats itself
LEAST_PERIODS = 3


@dataclass(frozen=True, slots=True, eq=False)
class EdgesSeen:
    """The edges of one record.

    Parameters
    ----------
    low, high : the two states, or the ends of the record's extent.
    rising, falling : s, ascending.
    has_states : most samples are near one of the two.
    """

    wave: Waveform
    low: float
    high: float
    rising: Floats
    falling: Floats
    has_states: bool

    @property
    def count(self) -> int:
        """Edges in both directions."""
        return int(self.rising.size + self.falling.size)

    @property
    def shortest(self) -> float | None:
        """The shortest time between two edges that is not rare, s."""
        both = np.sort(np.concatenate([self.rising, self.falling]))
        between = np.diff(both)
        return float(np.percentile(between, 2)) if between.size else None

    @property
    def period(self) -> float | None:
        """The period, s, of what repeats itself from one end of the record to the other."""
        periods = np.diff(self.rising)
        if periods.size < LEAST_PERIODS:
            return None
        middle = float(np.median(periods))
        slack = ALIKE * middle + 2 * self.wave.interval
        alike = np.abs(periods - middle) <= slack
        if float(np.mean(alike)) < MOST:
            return None
        begin, end = self.wave.start, self.wave.start + self.wave.duration
        if self.rising[0] - begin > 2 * middle or end - self.rising[-1] > 2 * middle:
            return None
        return float(periods[alike].mean())

    @property
    def duty_factor(self) -> float | None:
        """Share of the period that the line is high: the median, so that a rare glitch does not count."""
        period = self.period
        if period is None:
            return None
        widths = self._widths
        return float(np.median(widths)) / period if widths.size else None

    @property
    def widths_alike(self) -> bool:
        """Whether all high pulses are of one width, as those of a clock are and those of data are not."""
        widths = self._widths
        if not widths.size:
            return False
        middle = float(np.median(widths))
        return float(np.mean(np.abs(widths - middle) <= ALIKE * middle + 2 * self.wave.interval)) >= MOST

    @property
    def _widths(self) -> Floats:
        """Of all high pulses that end in the record, s."""
        places = np.searchsorted(self.falling, self.rising)
        ends = places < self.falling.size
        widths: Floats = self.falling[places[ends]] - self.rising[ends]
        return widths


def edges_seen(survey: Survey, extent: tuple[float, float] | None = None) -> EdgesSeen | None:
    """The edges of a record; None where it does not move.

    Parameters
    ----------
    extent : lowest and highest value of the line, where other records have shown more of it.
    """
    wave = survey.wave
    try:
        lowest, highest = sorted(wave.value_of(code) for code in survey.extremes)
    except NotMeasurable:
        return None
    if extent is not None:
        lowest, highest = min(lowest, extent[0]), max(highest, extent[1])
    width = highest - lowest
    if width <= 0:
        return None
    middle = (lowest + highest) / 2
    found = survey.record.crossings(middle, HYSTERESIS * width)
    low, high, has_states = _states(survey, lowest, highest)
    return EdgesSeen(wave, low, high, found.rising, found.falling, has_states)


def _states(survey: Survey, lowest: float, highest: float) -> tuple[float, float, bool]:
    """Low and high state, the mean of what is near either end, and whether most samples are."""
    width, wave = highest - lowest, survey.wave
    histogram = survey.histogram
    values = wave.offset + wave.gain * np.asarray(histogram.codes, dtype=np.float64)
    counts = np.asarray(histogram.counts, dtype=np.float64)
    is_low, is_high = values <= lowest + NEAR_A_STATE * width, values >= highest - NEAR_A_STATE * width
    low = float(np.average(values[is_low], weights=counts[is_low])) if counts[is_low].sum() else lowest
    high = float(np.average(values[is_high], weights=counts[is_high])) if counts[is_high].sum() else highest
    near = float(counts[is_low | is_high].sum() / counts.sum())
    return low, high, near >= MOSTLY
