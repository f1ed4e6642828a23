"""Jitter of a clock from the instants of its edges.

Period jitter: a period less the mean one, or less that of a reference. Cycle-to-cycle jitter: a period less the one
before it. Time interval error: an edge less its place on a reference, which is the straight line through all edges or a
given frequency. Words as in IEEE 2414-2020 and JESD65B †. Whether rms, largest deviation or
peak to peak is meant says `statistic`; the last two grow with the length of the record.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.elementary.sums import inner
from wavewright.analysis.fitting.line_fit import fit_line
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Occurrences, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import COUNT, POSITIVE
from wavewright.analysis.time.crossing_resolution import instant_resolution, spread_of_instant
from wavewright.analysis.time.edges import MIDDLE, edges, period_doubts, too_few
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

Statistic = Literal["rms", "peak_to_peak", "peak"]
Edge = Literal["rising", "falling"]
JitterKind = Literal["period", "cycle_to_cycle", "time_interval_error"]
# of the noise of one edge, that of a deviation: of a difference of two, of 1, -2 and 1 of three, of one (math)
EDGES_OF_NOISE = {"period": math.sqrt(2), "cycle_to_cycle": math.sqrt(6), "time_interval_error": 1.0}
ENDS = {"rms": 0.0, "peak": 1.0, "peak_to_peak": math.sqrt(2)}  # root of how many single deviations it is made of
SOURCE = "IEEE 2414-2020 and JESD65B †"
SOURCE_OF_PERIODS = "less the mean: JESD79; less an ideal period: JESD65B †"


@dataclass(frozen=True, slots=True, eq=False)
class JitterTrend:
    """How jitter goes over the record: deviations, s, at the edges that end them, s; shape (n,) each."""

    times: Floats
    deviations: Floats


def period_deviations(instants: Floats, *, periods: int = 1, period: float | None = None) -> Floats:
    """Durations of `periods` periods, overlapping, less their mean, or less this many ideal periods, s."""
    durations = instants[periods:] - instants[:-periods]
    deviations: Floats = durations - (durations.mean() if period is None else periods * period)
    return deviations


def cycle_to_cycle_deviations(instants: Floats) -> Floats:
    """Each period less the one before it, s."""
    return np.diff(instants, n=2)


def time_interval_errors(instants: Floats, *, period: float | None = None) -> Floats:
    """Edges less their places on a reference, s.

    Parameters
    ----------
    period : of the reference, s, which is laid through the edges so that the errors have mean 0; None: that of the
        straight line through all edges.
    """
    numbers = np.arange(instants.size, dtype=np.float64)
    since = instants - instants[0]  # keeps digits where the record begins late
    if period is None:
        line = fit_line(numbers, since)
        errors: Floats = since - line.intercept - line.slope * numbers
    else:
        errors = since - period * numbers
    errors -= errors.mean()
    return errors


@metric("period_jitter", reads=Reads.EDGES, unit="s", source=SOURCE_OF_PERIODS, reads_levels=True)
def period_jitter(
    survey: Survey,
    *,
    statistic: Statistic = "rms",
    periods: Annotated[int, COUNT] = 1,
    reference: Annotated[float, "Hz", POSITIVE] | None = None,
    slope: Edge = "rising",
    level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Period jitter: deviation of the periods from their mean, or from those of an ideal clock.

    Definition
    ----------
    p[k] = t[k + n] − t[k], less the mean of all p, or less n / f0; n the number of periods, f0 the reference.

    Common practice states how many periods are taken (200, 1000, 10 000): the count of the reading says how many there
    were here.

    Parameters
    ----------
    statistic : `rms` (standard deviation, n − 1; root of the mean square where there is a reference), `peak` (largest
        deviation), `peak_to_peak`.
    reference : frequency of the ideal clock, Hz; None: the mean of the record.
    periods : number of periods that are timed together.
    slope, level : where a period begins.
    """
    return _reading(survey, "period", statistic, slope, level, periods=periods, reference=reference)


@metric("cycle_to_cycle_jitter", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def cycle_to_cycle_jitter(
    survey: Survey, *, statistic: Statistic = "rms", slope: Edge = "rising", level: ReferenceLevel = MIDDLE
) -> Reading:
    """Cycle-to-cycle jitter: each period less the one before it; options as for `period_jitter`.

    Definition
    ----------
    (t[k + 2] − t[k + 1]) − (t[k + 1] − t[k]).
    """
    return _reading(survey, "cycle_to_cycle", statistic, slope, level)


@metric("time_interval_error", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def time_interval_error(
    survey: Survey,
    *,
    statistic: Statistic = "rms",
    reference: Annotated[float, "Hz", POSITIVE] | None = None,
    slope: Edge = "rising",
    level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Time interval error: deviation of the edges from those of an ideal clock.

    Definition
    ----------
    t[k] − (t0 + k·T), T the period of the reference, or t0 and T of the best straight line.

    Parameters
    ----------
    reference : frequency of the ideal clock, Hz; None: that which fits best, by least squares.
    statistic, slope, level : as for `period_jitter`.
    """
    return _reading(survey, "time_interval_error", statistic, slope, level, reference=reference)


def jitter_trend(
    survey: Survey,
    *,
    kind: JitterKind = "time_interval_error",
    slope: Edge = "rising",
    level: ReferenceLevel = MIDDLE,
    periods: int = 1,
    reference: float | None = None,
) -> JitterTrend:
    """Every single deviation with its time; parameters as of the metrics, `reference` in Hz.

    Raises
    ------
    NotMeasurable : too few edges.
    """
    least = {"period": periods + 2, "cycle_to_cycle": 4, "time_interval_error": 3}[kind]
    if periods < 1 or (reference is not None and reference <= 0):
        raise NotMeasurable(f"{periods} periods, reference {reference} Hz", expected="1 or more, and above 0 Hz")
    found = edges(survey, level)
    instants = found.rising_since if slope == "rising" else found.falling_since
    times = survey.wave.start + instants
    if instants.size < least:
        raise too_few(survey, found, level, expected=f"at least {least} {slope} ones")
    if kind == "period":
        ideal = None if reference is None else 1 / reference
        return JitterTrend(times[periods:], period_deviations(instants, periods=periods, period=ideal))
    if kind == "cycle_to_cycle":
        return JitterTrend(times[2:], cycle_to_cycle_deviations(instants))
    return JitterTrend(times, time_interval_errors(instants, period=None if reference is None else 1 / reference))


def _reading(
    survey: Survey,
    kind: JitterKind,
    statistic: Statistic,
    slope: Edge,
    level: ReferenceLevel,
    *,
    periods: int = 1,
    reference: float | None = None,
) -> Reading:
    trend = jitter_trend(survey, kind=kind, slope=slope, level=level, periods=periods, reference=reference)
    deviations = trend.deviations
    rms = _rms(deviations, kind, is_ideal=kind == "period" and reference is not None)
    value = {
        "rms": rms,
        "peak": float(np.abs(deviations).max()),
        "peak_to_peak": float(deviations.max() - deviations.min()),
    }[statistic]
    found = edges(survey, level)
    places = found.rising_places if slope == "rising" else found.falling_places
    resolution = instant_resolution(survey, places) / math.sqrt(3)
    scatter = rms / math.sqrt(2 * (deviations.size - 1)) if statistic == "rms" else 0.0
    noise = EDGES_OF_NOISE[kind] * spread_of_instant(survey, places)
    # squares of jitter and noise add: so much of what is read may be noise, which is not taken out (math)
    added = value * (1 - math.sqrt(max(0.0, 1 - square(noise / rms)))) if rms else noise
    of_noise = math.hypot(added / math.sqrt(3), ENDS[statistic] * noise)
    return Reading(
        value,
        "s",
        uncertainty=math.hypot(scatter, resolution, of_noise),
        doubts=period_doubts(survey, np.diff(places)),
        count=deviations.size,
        minimum=float(deviations.min()),
        maximum=float(deviations.max()),
        standard_deviation=float(deviations.std(ddof=1)),
        occurrences=Occurrences(trend.times, deviations),
    )


def _rms(deviations: Floats, kind: JitterKind, *, is_ideal: bool = False) -> float:
    """Root mean square; of deviations from a mean with n − 1, from a line with n − 2, from an ideal period with n."""
    lost = 0 if is_ideal else {"period": 1, "cycle_to_cycle": 0, "time_interval_error": 2}[kind]
    return math.sqrt(inner(deviations, deviations) / max(1, deviations.size - lost))
