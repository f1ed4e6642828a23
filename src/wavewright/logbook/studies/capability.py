"""Process capability: how the spread of a reading compares with the width of its limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Annotated

import numpy as np

from wavewright.errors import Misuse
from wavewright.logbook.studies.catalogue import StudiedReading, StudyOption, StudyResult, reading_study


@dataclass(frozen=True, slots=True)
class Capability:
    """Capability indices of one reading over many units; None where an index needs a limit that is not there.

    Parameters
    ----------
    count, mean, standard_deviation : of the values; n − 1 in the last.
    cp : width of the limits over six standard deviations.
    cpk : distance of the mean from the nearer limit over three standard deviations.
    cpm : as cp, with the spread taken around the target instead of the mean.
    cp_interval, cpk_interval : two-sided confidence intervals, for normal values.
    fraction_outside : expected share outside the limits, for normal values.
    """

    count: int
    mean: float
    standard_deviation: float
    cp: float | None
    cpk: float | None
    cpm: float | None
    cp_interval: tuple[float, float] | None
    cpk_interval: tuple[float, float] | None
    fraction_outside: float


def capability(
    values: Sequence[float], *, low: float = -math.inf, high: float = math.inf, target: float | None = None
) -> Capability:
    """Capability indices from the values themselves; see `capability_from`.

    Raises
    ------
    Misuse : fewer than two values, or values without any spread.
    """
    each = np.asarray(values, dtype=np.float64)
    if each.size < 2:
        raise Misuse(f"{each.size} values", expected="at least 2", do="run more units, or widen the filter")
    return capability_from(
        float(each.mean()), float(each.std(ddof=1)), int(each.size), low=low, high=high, target=target
    )


def capability_from(
    mean: float,
    standard_deviation: float,
    count: int,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    target: float | None = None,
    confidence: float = 0.95,
) -> Capability:
    """Capability indices from mean, standard deviation and count.

    Formulas of NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6. The interval of Cp follows from the
    chi-square distribution of the variance; that of Cpk is the normal approximation of the same section.

    Raises
    ------
    Misuse : no limit at all, lower limit above the upper one, no spread.
    """
    from scipy.stats import norm

    if not low < high or (math.isinf(low) and math.isinf(high)):
        raise Misuse(f"limits {low:g} and {high:g}", expected="at least one limit, the lower below the upper")
    if not standard_deviation > 0:
        raise Misuse("all values are equal", expected="values that vary", do="check that the readings are independent")
    s = standard_deviation
    upper, lower = (high - mean) / (3 * s), (mean - low) / (3 * s)
    two_sided = math.isfinite(low) and math.isfinite(high)
    cp = (high - low) / (6 * s) if two_sided else None
    cpk = min(upper, lower)
    spread = math.hypot(s, mean - target) if target is not None else None
    outside = float(norm.sf((high - mean) / s) + norm.cdf((low - mean) / s))
    return Capability(
        count=count,
        mean=mean,
        standard_deviation=s,
        cp=cp,
        cpk=cpk,
        cpm=(high - low) / (6 * spread) if spread is not None and two_sided else None,
        cp_interval=_cp_interval(cp, count, confidence) if cp is not None else None,
        cpk_interval=_cpk_interval(cpk, count, confidence),
        fraction_outside=outside,
    )


def _cp_interval(cp: float, count: int, confidence: float) -> tuple[float, float]:
    from scipy.stats import chi2

    tail = (1 - confidence) / 2
    low, high = (float(chi2.ppf(p, count - 1)) for p in (tail, 1 - tail))
    return cp * math.sqrt(low / (count - 1)), cp * math.sqrt(high / (count - 1))


def _cpk_interval(cpk: float, count: int, confidence: float) -> tuple[float, float]:
    from scipy.stats import norm

    half = float(norm.ppf((1 + confidence) / 2)) * math.sqrt(1 / (9 * count) + cpk * cpk / (2 * (count - 1)))
    return cpk - half, cpk + half


@reading_study("capability", example="wavewright study capability rail_noise.ripple")
def capability_of_reading(
    reading: StudiedReading,
    *,
    target: Annotated[float | None, StudyOption("Target value, in the reading's SI unit, for Cpm.")] = None,
) -> StudyResult:
    """Capability of a reading: Cp, Cpk and Cpm.

    The limit is that of the newest run.

    Raises
    ------
    Misuse : it has no limit there; fewer than two values, or values without any spread.
    """
    if math.isinf(reading.low) and math.isinf(reading.high):
        raise Misuse(f"`{reading.name}` has no limit in its newest run", do="give it one in the recipe, and recompute")
    found = capability(reading.values, low=reading.low, high=reading.high, target=target)
    indices = {"Cp": found.cp, "Cpk": found.cpk, "Cpm": found.cpm}
    ends = "–" if found.cpk_interval is None else f"{found.cpk_interval[0]:.2f} … {found.cpk_interval[1]:.2f}"
    spread = f"mean {reading.shown(found.mean)}, s {reading.shown(found.standard_deviation)}"
    return StudyResult(
        asdict(found),
        (
            f"{found.count} readings, {spread}",
            *(f"{name} {'–' if value is None else f'{value:.2f}'}" for name, value in indices.items()),
            f"Cpk, 95 % interval {ends}",
            f"expected out of limits: {1e6 * found.fraction_outside:.0f} ppm, if normally distributed",
        ),
    )
