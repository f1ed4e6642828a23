"""Consumer's and producer's risk over a lot: what a limit, a guard band and an uncertainty make of its spread.

Global risks: JCGM 106:2012, 9.5 †. Specific risk of one reading, with what is known of the lot: 9.3 and A.4 †.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist

from wavewright.quantities import Interval

Density = Callable[[float], float]
REACH = 10.0  # standard deviations that are integrated over; beyond them 1e-23 of a normal distribution


@dataclass(frozen=True, slots=True)
class Risks:
    """Shares of a lot, 0 … 1.

    Parameters
    ----------
    conforming : true value within the limit.
    accepted : reading within what passes.
    consumer : accepted, and the true value is outside the limit.
    producer : rejected, and the true value is within the limit.
    undecided : neither accepted nor rejected.
    """

    conforming: float
    accepted: float
    consumer: float
    producer: float
    undecided: float


def global_risks(
    density: Density,
    standard: float,
    *,
    limit: Interval,
    accepted: Interval | None,
    tolerated: Interval,
    over: Interval,
) -> Risks:
    """The risks of a lot whose true values have a density, measured with a normal uncertainty.

    Parameters
    ----------
    density : of the true values, per unit; its integral over `over` is 1.
    standard : standard uncertainty of one reading, > 0.
    accepted : readings that pass; None where none does. tolerated : readings that do not fail.
    over : where the density is not 0.
    """

    def between(value: float, ends: Interval | None) -> float:
        """Probability that the reading of a unit with this true value is between the ends."""
        return 0.0 if ends is None else _normal(ends.high, value, standard) - _normal(ends.low, value, standard)

    def share(ends: Interval | None, of: Interval) -> float:
        return _integral(lambda value: density(value) * between(value, ends), of, limit, standard)

    inside = Interval(max(limit.low, over.low), min(limit.high, over.high), limit.unit)
    conforming = _integral(density, inside, limit, standard)
    accepted_share, tolerated_share = share(accepted, over), share(tolerated, over)
    return Risks(
        conforming=conforming,
        accepted=accepted_share,
        consumer=max(0.0, accepted_share - share(accepted, inside)),
        producer=max(0.0, conforming - share(tolerated, inside)),
        undecided=max(0.0, tolerated_share - accepted_share),
    )


def normal_lot(mean: float, spread: float, unit: str) -> tuple[Density, Interval]:
    """The density of true values that are normally distributed, and where it is not 0."""
    lot = NormalDist(mean, spread)
    return lot.pdf, Interval(mean - REACH * spread, mean + REACH * spread, unit)


def narrowed(limit: Interval, width: float) -> Interval | None:
    """The limit with a guard band of that width inside each end, outside if below 0; None where nothing is left."""
    low, high = limit.low + width, limit.high - width
    return Interval(low, high, limit.unit) if low <= high else None


def width_for_risk(
    density: Density, standard: float, *, limit: Interval, over: Interval, consumer: float
) -> float | None:
    """The narrowest guard band, at least 0, with which the consumer's risk is at most that; None if no band has it."""
    from scipy.optimize import brentq

    def excess(width: float) -> float:
        accepted = narrowed(limit, width)
        tolerated = accepted or Interval(math.inf, math.inf, limit.unit)
        found = global_risks(density, standard, limit=limit, accepted=accepted, tolerated=tolerated, over=over)
        return found.consumer - consumer

    if excess(0.0) <= 0:
        return 0.0
    widest = min((limit.high - limit.low) / 2, REACH * standard + (over.high - over.low))
    return float(brentq(excess, 0.0, widest, xtol=1e-9 * standard)) if excess(widest) < 0 else None


def conformance_in_lot(
    value: float, standard: float, *, limit: Interval, mean: float, spread: float
) -> tuple[float, float, float]:
    """Probability of conformance of one reading of a unit out of a normal lot, and what is believed of its true value.

    The lot is what was known before, the reading what came to it (JCGM 106:2012, 6.4 and A.4 †): the estimate is the
    mean of both, each weighted with the inverse of its variance.

    Returns
    -------
    probability, estimate, standard uncertainty of the estimate.
    """
    weight = spread**2 / (spread**2 + standard**2)
    estimate, known = mean + weight * (value - mean), standard * math.sqrt(weight)
    return _normal(limit.high, estimate, known) - _normal(limit.low, estimate, known), estimate, known


def _normal(end: float, mean: float, spread: float) -> float:
    return 0.5 * math.erfc((mean - end) / (spread * math.sqrt(2))) if math.isfinite(end) else float(end > 0)


def _integral(function: Density, over: Interval, limit: Interval, standard: float) -> float:
    """Gauss-Kronrod between the places where the course changes: the ends of the limit, and a few u around them."""
    from scipy.integrate import quad

    if not over.low < over.high:
        return 0.0
    steps = (-8, -3, -1, 0, 1, 3, 8)
    inner = {end + k * standard for end in (limit.low, limit.high) if math.isfinite(end) for k in steps}
    middle = (over.low + over.high) / 2
    inner |= {middle + part * (over.high - over.low) for part in (-0.3, -0.15, 0.0, 0.15, 0.3)}
    places = [over.low, *sorted(place for place in inner if over.low < place < over.high), over.high]
    return math.fsum(quad(function, first, last, epsabs=1e-13, epsrel=1e-11)[0] for first, last in pairwise(places))
