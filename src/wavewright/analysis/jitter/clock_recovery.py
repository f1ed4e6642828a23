"""Clock recovery from a line of bits without return to zero: where each bit begins, from the edges alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.fitting.line_fit import fit_line
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.edges import MIDDLE, edges, too_few
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

if TYPE_CHECKING:
    import numpy.typing as npt

FEWEST_EDGES = 4
ROUNDS = 5


@dataclass(frozen=True, slots=True, eq=False)
class RecoveredClock:
    """A bit begins at start + period · whole number; all times in s after the first sample of the record.

    Parameters
    ----------
    start, period : s.
    period_uncertainty : standard, s, from the scatter of the edges.
    instants : of the edges, s, ascending, shape (n,). `numbers` : of the bit that each edge begins, shape (n,).
    deviations : of the edges from where their bits begin, s, shape (n,): the time interval errors of the line.
    """

    start: float
    period: float
    period_uncertainty: float
    instants: Floats
    numbers: npt.NDArray[np.int64]
    deviations: Floats


def recover_clock(survey: Survey, *, bit_rate: float | None = None, level: ReferenceLevel = MIDDLE) -> RecoveredClock:
    """The clock that fits the edges best, by least squares.

    Parameters
    ----------
    bit_rate : nominal, bit/s; may be wrong by a small part of a bit over the longest run of like bits. None: that
        of the shortest pulses.
    level : that separates the bits.

    Raises
    ------
    NotMeasurable : fewer than 4 edges, or edges that no clock near the bit rate explains.
    """
    found = edges(survey, level)
    instants = found.either_since
    if instants.size < FEWEST_EDGES:
        raise too_few(survey, found, level, expected=f"at least {FEWEST_EDGES} in all")
    gaps = np.diff(instants)
    if bit_rate is not None and bit_rate <= 0:
        raise NotMeasurable(f"bit rate {bit_rate:g} bit/s", expected="above 0")
    period = 1 / bit_rate if bit_rate is not None else _shortest(gaps)
    since = instants - instants[0]
    for _ in range(ROUNDS):
        # from edge to edge, so that a small error of the rate does not add up
        numbers = np.concatenate([[0], np.cumsum(np.rint(gaps / period).astype(np.int64))])
        if numbers[-1] < instants.size - 1:
            raise NotMeasurable(
                f"`{survey.name}`: {int((np.rint(gaps / period) == 0).sum())} of {gaps.size} pulses are shorter than "
                f"half a bit of {period:.4g} s",
                expected="pulses of whole bits",
                do="check the bit rate and the level",
            )
        line = fit_line(numbers.astype(np.float64), since)
        has_settled = abs(line.slope - period) <= 1e-12 * period
        period = line.slope
        if has_settled:
            break
    deviations = since - line.intercept - line.slope * numbers
    return RecoveredClock(
        start=float(instants[0]) + line.intercept,
        period=line.slope,
        period_uncertainty=line.slope_uncertainty,
        instants=instants,
        numbers=numbers,
        deviations=deviations,
    )


def _shortest(gaps: Floats) -> float:
    """The typical shortest pulse, s: the median of those that are not much longer than the shortest tenth."""
    low = float(np.quantile(gaps, 0.1))
    return float(np.median(gaps[gaps <= 1.4 * low]))
