"""Total jitter at an error ratio: the two-part model of a deterministic and a random part, from the edges of a clock.

The model has two equally frequent deterministic edges, `deterministic` apart, each blurred by normally distributed
jitter of standard deviation `random`. Both are found in the tails of the distribution of the time interval errors,
where a deterministic part that is not two edges looks like one that is. A record holds too few edges to see an error
ratio of 1e-12; the model says what it would be there. Common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import exp
from wavewright.analysis.elementary.normal import normal_quantile, normal_quantiles
from wavewright.analysis.elementary.sums import inner
from wavewright.analysis.jitter.jitter import Edge, jitter_trend
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE, Sense
from wavewright.analysis.time.crossing_resolution import instant_resolution
from wavewright.analysis.time.edges import MIDDLE, edges, period_doubts
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Floats

SOURCE = "common practice, no source: two deterministic edges with normally distributed jitter"
TAIL = 0.1  # of the edges on either side, from which the model is found
FEWEST = 200  # edges: 20 in each tail
GROUPS = 10  # that are left out in turn for the uncertainty
ERROR_RATIO = Sense(above=0.0, below=0.5)


@dataclass(frozen=True, slots=True)
class JitterParts:
    """The two parts of the model, s: `deterministic` peak to peak, `random` as a standard deviation."""

    deterministic: float
    random: float

    def total(self, error_ratio: float) -> float:
        """Peak to peak, s: what is exceeded on either side once in 1/error_ratio edges."""
        return self.deterministic + gaussian_span(error_ratio) * self.random


def gaussian_span(error_ratio: float) -> float:
    """Width, in standard deviations, that Gaussian jitter leaves on either side once in 1/error_ratio bits.

    Twice the abscissa at which one tail of the normal distribution holds `error_ratio`: the convention of one tail a
    side, common practice, no source.
    """
    if error_ratio not in ERROR_RATIO:
        raise Misuse(f"error ratio {error_ratio:g}", expected="between 0 and 0.5")
    return -2 * normal_quantile(error_ratio)


def jitter_parts(deviations: Floats, *, share: float = 0.5) -> JitterParts:
    """The model that fits both tails of a distribution, by weighted least squares on the scale of the normal one.

    Parameters
    ----------
    deviations : s, shape (n,), n ≥ `FEWEST`.
    share : of the edges that lie around one deterministic edge; 1: there is no deterministic part.
    """
    ascending = np.sort(deviations)
    (low, left), (high, right) = _tail(ascending, share), _tail(-ascending[::-1], share)
    return JitterParts(max(0.0, -high - low), (left + right) / 2)


def _tail(ascending: Floats, share: float) -> tuple[float, float]:
    """Mean and standard deviation, s, of the normal distribution whose lower tail these values have."""
    count = int(TAIL * ascending.size)
    chance = (np.arange(1, count + 1) - 0.5) / ascending.size
    abscissa = normal_quantiles(chance / share)
    weight = exp(-np.square(abscissa)) / chance  # the inverse variance of an order statistic, but for a factor
    middle, value = np.average(abscissa, weights=weight), np.average(ascending[:count], weights=weight)
    slope = inner(weight * (abscissa - middle), ascending[:count]) / inner(weight, np.square(abscissa - middle))
    return float(value - slope * middle), slope


@metric("total_jitter", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def total_jitter(
    survey: Survey,
    *,
    error_ratio: Annotated[float, ERROR_RATIO] = 1e-12,
    reference: Annotated[float, "Hz", POSITIVE] | None = None,
    slope: Edge = "rising",
    level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Total jitter of a clock, peak to peak, at an error ratio: deterministic part and tails of the random part.

    Definition
    ----------
    deterministic + 2·Q·random, Q the abscissa at which one tail of the normal distribution holds `error_ratio`: 14.069
    standard deviations at 1e-12. Both parts are those of the metrics `deterministic_jitter` and `random_jitter`.

    Parameters
    ----------
    error_ratio : share of the edges that lie beyond, on either side.
    reference, slope, level : as for `time_interval_error`.

    Returns
    -------
    Reading in s. Its uncertainty comes from leaving out parts of the record in turn, and from the model: half the
    difference from one without a deterministic part, over √3. Of purely random jitter the model finds 6 % too little.

    Raises
    ------
    NotMeasurable : fewer than 200 edges.
    """
    return _reading(survey, lambda parts: parts.total(error_ratio), reference, slope, level)


@metric("random_jitter", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def random_jitter(
    survey: Survey,
    *,
    reference: Annotated[float, "Hz", POSITIVE] | None = None,
    slope: Edge = "rising",
    level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Random jitter of a clock: the standard deviation of the normal distribution that its tails have.

    Definition
    ----------
    The mean over both sides of the slope of the time interval errors over the abscissa of the normal distribution at
    twice their rank over their number, in the outer tenth of the edges on that side, by weighted least squares.

    Options, uncertainty and errors are those of `total_jitter`.
    """
    return _reading(survey, lambda parts: parts.random, reference, slope, level)


@metric("deterministic_jitter", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def deterministic_jitter(
    survey: Survey,
    *,
    reference: Annotated[float, "Hz", POSITIVE] | None = None,
    slope: Edge = "rising",
    level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Deterministic jitter of a clock: the distance of the two edges that the tails of its jitter come from.

    Definition
    ----------
    The distance of the means of the two normal distributions whose slopes are `random_jitter`; at least 0.

    Options, uncertainty and errors are those of `total_jitter`. Of purely random jitter the model finds one standard
    deviation.
    """
    return _reading(survey, lambda parts: parts.deterministic, reference, slope, level)


def _reading(
    survey: Survey,
    value_of: Callable[[JitterParts], float],
    reference: float | None,
    slope: Edge,
    level: ReferenceLevel,
) -> Reading:
    trend = jitter_trend(survey, slope=slope, level=level, reference=reference)
    deviations = trend.deviations
    if deviations.size < FEWEST:
        raise NotMeasurable(
            f"`{survey.name}`: {deviations.size} {slope} edges",
            expected=f"at least {FEWEST}, of which the outer tenths are the tails",
            do="lengthen `span`",
        )
    value = value_of(jitter_parts(deviations))
    groups = np.array_split(np.arange(deviations.size), GROUPS)
    without = [value_of(jitter_parts(np.delete(deviations, group))) for group in groups]
    scatter = math.sqrt((GROUPS - 1) / GROUPS * float(np.square(np.array(without) - np.mean(without)).sum()))
    model = abs(value_of(jitter_parts(deviations, share=1.0)) - value) / 2 / math.sqrt(3)
    found = edges(survey, level)
    places = found.rising_places if slope == "rising" else found.falling_places
    return Reading(
        value,
        "s",
        uncertainty=math.hypot(scatter, model, instant_resolution(survey, places) / math.sqrt(3)),
        doubts=period_doubts(survey, np.diff(places)),
        count=deviations.size,
        minimum=float(deviations.min()),
        maximum=float(deviations.max()),
        standard_deviation=float(deviations.std(ddof=1)),
    )
