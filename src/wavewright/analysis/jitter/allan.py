"""Allan deviation: how the mean frequency of a clock changes from one interval of time to the next.

Definitions of NIST SP 1065, chapter 5, with the numbers of its equations †, on time deviations x at equal
distances τ0.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Annotated, Literal

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.jitter.jitter import Edge, time_interval_errors
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE
from wavewright.analysis.time.edges import MIDDLE, edges, period_doubts, too_few
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

Estimator = Literal["overlapping", "consecutive", "modified"]


def overlapping_allan_deviation(time_errors: Floats, interval: float, *, factor: int = 1) -> float:
    """Allan deviation with overlapping samples.

    Parameters
    ----------
    time_errors : s, shape (n,), n ≥ 2·factor + 1. A constant and a constant frequency in them do not count.
    interval : distance of two of them, s. `factor` : averaging time in intervals.
    """
    second = time_errors[2 * factor :] - 2 * time_errors[factor:-factor] + time_errors[: -2 * factor]
    return math.sqrt(float(np.mean(np.square(second))) / 2) / (factor * interval)


def allan_deviation_without_overlap(time_errors: Floats, interval: float, *, factor: int = 1) -> float:
    """Allan deviation of intervals laid end to end; parameters as for `overlapping_allan_deviation`."""
    return overlapping_allan_deviation(time_errors[::factor], factor * interval)


def modified_allan_deviation(time_errors: Floats, interval: float, *, factor: int = 1) -> float:
    """Allan deviation of time errors averaged over `factor` of them: white and flicker phase noise differ in it."""
    sums = np.concatenate([[0.0], np.cumsum(time_errors)])
    means = (sums[factor:] - sums[:-factor]) / factor
    return overlapping_allan_deviation(means, interval, factor=factor)


ESTIMATORS: Mapping[Estimator, Callable[..., float]] = MappingProxyType(
    {
        "overlapping": overlapping_allan_deviation,
        "consecutive": allan_deviation_without_overlap,
        "modified": modified_allan_deviation,
    }
)


@metric(
    "allan_deviation",
    reads=Reads.EDGES,
    unit="1",
    source="NIST SP 1065, eq. 11 †",
    reads_levels=True,
)
def allan_deviation(
    survey: Survey,
    *,
    averaging: Annotated[float, "s", POSITIVE] | None = None,
    estimator: Estimator = "overlapping",
    slope: Edge = "rising",
    level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Allan deviation of a clock: rms change of its relative frequency between adjacent intervals, over √2.

    Definition
    ----------
    √(mean of (x[k + 2m] − 2·x[k + m] + x[k])² / 2) / τ, x the time errors, τ = m periods the averaging time; k goes up
    by 1, or by m where they are consecutive. For the modified one x is the mean of m time errors.

    Parameters
    ----------
    averaging : length of an interval, s, rounded to whole periods; None: one period.
    estimator : `overlapping`; `consecutive`: intervals laid end to end; `modified`: separates white phase noise from
        flicker.
    slope, level : where a period begins.

    Returns
    -------
    Reading, a ratio. The uncertainty takes the frequency noise as white (degrees of freedom of NIST SP 1065, table 5
    †).
    """
    errors, period, places = _time_errors(survey, slope, level)
    factor = 1 if averaging is None else round(averaging / period)
    most = errors.size // 3 if estimator == "modified" else (errors.size - 1) // 2
    if not 1 <= factor <= most:
        raise NotMeasurable(
            f"`{survey.name}`: intervals of {factor} periods among {errors.size - 1}",
            expected=f"1 to {most} periods of {period:.4g} s",
            do="lengthen `span`, or choose another `averaging`",
        )
    value = ESTIMATORS[estimator](errors, period, factor=factor)
    freedom = max(1.0, _freedom(errors.size, factor) if estimator != "consecutive" else (errors.size - 1) / factor / 2)
    uncertainty = value / math.sqrt(2 * freedom)
    return Reading(value, "1", uncertainty=uncertainty, doubts=period_doubts(survey, np.diff(places)))


def _time_errors(survey: Survey, slope: Edge, level: ReferenceLevel) -> tuple[Floats, float, Floats]:
    """Time errors of the edges, s, their mean period, s, and their places, in samples."""
    found = edges(survey, level)
    instants = found.rising_since if slope == "rising" else found.falling_since
    if instants.size < 3:
        raise too_few(survey, found, level, expected=f"at least 3 {slope} ones")
    period = float(instants[-1] - instants[0]) / (instants.size - 1)
    places = found.rising_places if slope == "rising" else found.falling_places
    return time_interval_errors(instants), period, places


def _freedom(size: int, factor: int) -> float:
    """Degrees of freedom of the overlapping estimate for white frequency noise."""
    share = 3 * (size - 1) / (2 * factor) - 2 * (size - 2) / size
    return share * 4 * square(factor) / (4 * square(factor) + 5)
