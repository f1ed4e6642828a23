"""Groups of readings: whether they differ from day to day, batch to batch, bench to bench, and what that adds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from wavewright.errors import Misuse
from wavewright.logbook.studies.catalogue import StudiedReading, StudyResult, reading_study
from wavewright.logbook.studies.tables import day_table


@dataclass(frozen=True, slots=True)
class GroupStudy:
    """Scatter within and between groups of equal size, as standard deviations in the reading's unit.

    Parameters
    ----------
    groups, size : number of groups, and readings in each.
    mean : of all readings.
    within : of the readings of one group (s_b of JCGM 100:2008, H.5.2.2 †), with groups · (size − 1) degrees of
        freedom.
    from_means : that the scatter of the group means would give to one reading (s_a there): √size times the standard
        deviation of the means, with groups − 1 degrees of freedom.
    between : what the groups differ by beside the scatter within; 0 where that explains their differences.
    f, p : variance ratio (from_means / within)², and the chance of so large a one if the groups were alike. None where
        the readings of no group scatter.
    uncertainty, degrees_of_freedom : standard uncertainty of `mean`, from the scatter of the group means: it holds
        whether the groups differ or not.
    pooled_uncertainty, pooled_degrees_of_freedom : the same if the groups are taken as alike and all readings pooled.
    """

    groups: int
    size: int
    mean: float
    within: float
    from_means: float
    between: float
    f: float | None
    p: float | None
    uncertainty: float
    degrees_of_freedom: int
    pooled_uncertainty: float
    pooled_degrees_of_freedom: int


def group_study(readings: Sequence[Sequence[float]]) -> GroupStudy:
    """Analysis of variance of readings in groups, one way, with random effects (JCGM 100:2008, H.5 †).

    Parameters
    ----------
    readings : the readings of each group; at least two groups of at least two readings, all of the same size.

    Raises
    ------
    Misuse : fewer, groups of different sizes, or a value that is not a finite number.
    """
    from scipy.stats import f as f_distribution

    sizes = sorted({len(group) for group in readings})
    if len(readings) < 2 or len(sizes) != 1 or sizes[0] < 2:
        raise Misuse(
            f"{len(readings)} groups of {' or '.join(map(str, sizes)) or 'no'} readings",
            expected="at least 2 groups, all of the same size, which is at least 2",
            do="leave out the last readings of the larger groups, and groups of one reading",
        )
    x = np.array(readings, dtype=np.float64)
    if not np.isfinite(x).all():
        raise Misuse("a reading that is not a finite number", expected="numbers", do="leave out runs without a value")
    count, size = x.shape
    base = float(x[0, 0])
    x = x - base  # readings that agree in many digits lose none of the rest
    means = x.mean(axis=1)
    of_means = size * float(means.var(ddof=1))
    within = float(x.var(axis=1, ddof=1).mean())
    left, right = count - 1, count * (size - 1)
    ratio = of_means / within if within else None
    pooled = (left * of_means + right * within) / (left + right)
    return GroupStudy(
        groups=count,
        size=size,
        mean=base + float(means.mean()),
        within=math.sqrt(within),
        from_means=math.sqrt(of_means),
        between=math.sqrt(max(0.0, of_means - within) / size),
        f=ratio,
        p=None if ratio is None else float(f_distribution.sf(ratio, left, right)),
        uncertainty=math.sqrt(of_means / (count * size)),
        degrees_of_freedom=left,
        pooled_uncertainty=math.sqrt(pooled / (count * size)),
        pooled_degrees_of_freedom=left + right,
    )


@reading_study("days", example="wavewright study days rail_noise.ripple --since 2026-11-01")
def days_of_reading(reading: StudiedReading) -> StudyResult:
    """Compare the days on which a reading was taken.

    Whether it differs between days (UTC) by more than it scatters within one, and the uncertainty of its mean.

    Raises
    ------
    Misuse : fewer than two days with at least two readings.
    """
    table = day_table(reading.points)
    found = group_study(list(table.values()))
    chance = "" if found.p is None else f", p {found.p:.3g}"
    return StudyResult(
        {"days": list(table), **asdict(found)},
        (
            f"{found.groups} days, {found.size} readings on each: mean {reading.shown(found.mean)}",
            f"within a day: s {reading.shown(found.within)}",
            f"between days: s {reading.shown(found.between)}{chance}",
            f"standard uncertainty of the mean, from the days' means: {reading.shown(found.uncertainty)}",
            f"the same if all days have one mean: {reading.shown(found.pooled_uncertainty)}",
        ),
    )
