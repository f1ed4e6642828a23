"""Tolerance intervals: limits from golden units that hold a stated share of all units with stated confidence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any

import numpy as np

from wavewright.errors import Misuse
from wavewright.logbook.studies.catalogue import StudiedReading, StudyOption, StudyResult, reading_study


@dataclass(frozen=True, slots=True)
class ToleranceInterval:
    """Limits between which at least `share` of all units lie, with the given `confidence`; ±inf on an open side."""

    low: float
    high: float
    share: float
    confidence: float
    count: int
    method: str


def normal_tolerance(
    values: Sequence[float], *, share: float = 0.95, confidence: float = 0.95, side: str = "both"
) -> ToleranceInterval:
    """Mean ± k standard deviations, for normally distributed values (ISO 16269-6 †).

    Parameters
    ----------
    side : `both`, `lower` or `upper`.

    Raises
    ------
    Misuse : fewer than two values, an unknown side, a share or confidence outside 0 … 1.
    """
    each = np.asarray(values, dtype=np.float64)
    if each.size < 2:
        raise Misuse(f"{each.size} values", expected="at least 2")
    _check(share, confidence, side)
    mean, s, n = float(each.mean()), float(each.std(ddof=1)), int(each.size)
    k = two_sided_factor(n, share, confidence) if side == "both" else one_sided_factor(n, share, confidence)
    low = mean - k * s if side in ("both", "lower") else -math.inf
    high = mean + k * s if side in ("both", "upper") else math.inf
    return ToleranceInterval(low, high, share, confidence, n, f"normal, k = {k:.4f}")


def any_distribution_tolerance(
    values: Sequence[float], *, share: float = 0.95, confidence: float = 0.95, side: str = "both"
) -> ToleranceInterval:
    """The narrowest symmetric pair of order statistics, whatever the distribution.

    The share between the r-th smallest and the r-th largest of n values is beta distributed with n − 2r + 1 and
    2r (one-sided: n − r + 1 and r): Annals of Mathematical Statistics 12 (1941) 91-96 †.

    Raises
    ------
    Misuse : too few values; the message says how many are needed.
    """
    from scipy.stats import beta

    _check(share, confidence, side)
    each = np.sort(np.asarray(values, dtype=np.float64))
    n, ends = int(each.size), 2 if side == "both" else 1
    fitting = [r for r in range(1, n // ends + 1) if beta.sf(share, n - ends * r + 1, ends * r) >= confidence]
    if not fitting:
        raise Misuse(
            f"{n} values cannot bound {100 * share:g} % of all units with {100 * confidence:g} % confidence",
            expected=f"at least {smallest_sample(share, confidence, side=side)} values",
            do="measure more golden units, or use the normal interval if the values are normal",
        )
    rank = max(fitting)
    low = float(each[rank - 1]) if side in ("both", "lower") else -math.inf
    high = float(each[n - rank]) if side in ("both", "upper") else math.inf
    return ToleranceInterval(low, high, share, confidence, n, f"order statistics, rank {rank}")


def smallest_sample(share: float, confidence: float, *, side: str = "both") -> int:
    """How many values are needed for an interval that holds whatever the distribution."""
    from scipy.stats import beta

    _check(share, confidence, side)
    ends = 2 if side == "both" else 1
    n = ends
    while beta.sf(share, n - ends + 1, ends) < confidence:
        n += 1
    return n


@cache
def one_sided_factor(count: int, share: float, confidence: float) -> float:
    """k of a one-sided normal tolerance interval: a quantile of the noncentral t distribution over √n."""
    from scipy.stats import nct, norm

    return float(nct.ppf(confidence, count - 1, norm.ppf(share) * math.sqrt(count))) / math.sqrt(count)


@cache
def two_sided_factor(count: int, share: float, confidence: float) -> float:
    """k of a two-sided normal tolerance interval, exact: the k for which the confidence integral is met.

    With the mean off by z/√n, the half-width that still holds the share is r(z): Φ(z/√n + r) − Φ(z/√n − r) = share.
    The confidence is the mean over z of P(χ²(n − 1) ≥ (n − 1) r²/k²).
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr
    from scipy.stats import chi2

    nodes, weights = np.polynomial.legendre.leggauss(80)
    z, weights = 4.5 * (nodes + 1), 4.5 * weights  # 0 … 9 standard errors, and as much on the other side
    weights = 2 * weights * np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    half_width = np.array(
        [
            brentq(lambda r, shift=shift: ndtr(shift + r) - ndtr(shift - r) - share, 0, shift + 20)
            for shift in z / count**0.5
        ]
    )

    def missed(k: float) -> float:
        return float((weights * chi2.sf((count - 1) * (half_width / k) ** 2, count - 1)).sum()) - confidence

    return float(brentq(missed, 1e-3, 1e4, xtol=1e-9))


def _check(share: float, confidence: float, side: str) -> None:
    if not (0 < share < 1 and 0 < confidence < 1):
        raise Misuse(f"share {share:g}, confidence {confidence:g}", expected="both between 0 and 1")
    if side not in ("both", "lower", "upper"):
        raise Misuse(f"side `{side}`", expected="one of both, lower, upper")


@reading_study("limits", example="wavewright study limits rail_noise.ripple --batch-name golden")
def limits_of_reading(
    reading: StudiedReading,
    *,
    share: Annotated[float, StudyOption("Share of all units that must lie inside the limits.", 0.5, 0.9999)] = 0.95,
    confidence: Annotated[float, StudyOption("Confidence that they do.", 0.5, 0.9999)] = 0.95,
    side: Annotated[str, StudyOption("both, lower or upper.")] = "both",
) -> StudyResult:
    """Propose a limit from the readings of golden units.

    It is a tolerance interval, both normal and distribution-free.

    Raises
    ------
    Misuse : fewer than two values, an unknown side.
    """
    values = reading.values
    normal = normal_tolerance(values, share=share, confidence=confidence, side=side)
    lines = [f"{len(values)} readings", f"normal tolerance interval ({normal.method}): {_limit(normal, reading)}"]
    plain: dict[str, Any] = {"normal": _plain(normal), "any": None}
    try:
        free = any_distribution_tolerance(values, share=share, confidence=confidence, side=side)
    except Misuse as few:
        lines.append(f"distribution-free tolerance interval: {few.what}; {few.expected}")
    else:
        plain["any"] = _plain(free)
        lines.append(f"distribution-free tolerance interval ({free.method}): {_limit(free, reading)}")
    return StudyResult(plain, tuple(lines))


def _limit(interval: ToleranceInterval, reading: StudiedReading) -> str:
    """As a recipe writes it."""
    low, high = reading.shown(interval.low), reading.shown(interval.high)
    if math.isinf(interval.low):
        return f"`limit: at most {high}`"
    return f"`limit: at least {low}`" if math.isinf(interval.high) else f"`limit: {low} .. {high}`"


def _plain(interval: ToleranceInterval) -> dict[str, Any]:
    ends = {"low": interval.low, "high": interval.high}
    return {**{name: end if math.isfinite(end) else None for name, end in ends.items()}, "method": interval.method}
