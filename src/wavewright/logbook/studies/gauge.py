"""Gauge study: how much of the scatter of a reading comes from the measuring and not from the units."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np
import numpy.typing as npt

from wavewright.errors import Misuse
from wavewright.logbook.studies.catalogue import StudiedReading, StudyResult, reading_study
from wavewright.logbook.studies.tables import gauge_table


@dataclass(frozen=True, slots=True)
class VarianceRow:
    """One line of the analysis of variance; `f` and `p` are None where nothing is tested."""

    source: str
    sum_of_squares: float
    degrees: int
    mean_square: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Repeatability and reproducibility as standard deviations in the reading's unit.

    Parameters
    ----------
    table : the analysis of variance, with the interaction as tested.
    repeatability : same unit, same operator.
    reproducibility : between operators, the interaction of operators and units included.
    gauge : both together.
    units : between units.
    total : gauge and units together.
    distinct_categories : how many groups of units the gauge can tell apart: whole part of √2 · units / gauge; None
        where the readings of one unit do not scatter at all, so that there is nothing to divide by.
    gauge_share : gauge over total, 0 … 1.
    tolerance_share : six gauge standard deviations over the width of the limits; None without two limits.
    interaction_pooled : True where the interaction was not significant and went into repeatability.
    """

    table: tuple[VarianceRow, ...]
    repeatability: float
    reproducibility: float
    gauge: float
    units: float
    total: float
    distinct_categories: int | None
    gauge_share: float
    tolerance_share: float | None
    interaction_pooled: bool


def gauge_study(readings: npt.ArrayLike, *, width: float | None = None, pool_above: float = 0.05) -> GaugeStudy:
    """Gauge repeatability and reproducibility by two-way analysis of variance with random effects.

    The method of the measurement systems analysis literature (Automotive Industry Action Group, Measurement
    Systems Analysis, 4th edition, chapter III †). An interaction that is not
    significant is pooled with the error; variance components that come out negative count as 0.

    Parameters
    ----------
    readings : shape (units, operators, trials), every unit measured by every operator in every trial.
    width : upper limit minus lower limit, in the reading's unit.
    pool_above : significance level from which the interaction is pooled.

    Raises
    ------
    Misuse : not a complete table of at least 2 units, 2 operators and 2 trials, or a missing value.
    """
    x = np.asarray(readings, dtype=np.float64)
    if x.ndim != 3 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise Misuse(
            f"readings of shape {x.shape}",
            expected="every one of at least 2 units, measured by at least 2 operators, at least 2 times each",
            do="complete the study, or leave out the unit or operator that lacks a trial",
        )
    units, operators, trials = x.shape
    table, pooled, error = _analysis_of_variance(x, pool_above)
    by_unit, by_operator, interaction = (row.mean_square for row in table[:3])
    between = error if pooled else interaction
    has_scatter = bool((x != x[:, :1, :1]).any())  # rounding of the sums must not pass for scatter
    repeatability = error if has_scatter else 0.0
    crossed = 0.0 if pooled else max(0.0, (interaction - error) / trials)
    operator_variance = max(0.0, (by_operator - between) / (units * trials))
    unit_variance = max(0.0, (by_unit - between) / (operators * trials))
    reproducibility = operator_variance + crossed if has_scatter else 0.0
    gauge = repeatability + reproducibility
    total = gauge + unit_variance
    return GaugeStudy(
        table=table,
        repeatability=math.sqrt(repeatability),
        reproducibility=math.sqrt(reproducibility),
        gauge=math.sqrt(gauge),
        units=math.sqrt(unit_variance),
        total=math.sqrt(total),
        distinct_categories=math.floor(math.sqrt(2 * unit_variance / gauge)) if has_scatter else None,
        gauge_share=math.sqrt(gauge / total) if total else 0.0,
        tolerance_share=6 * math.sqrt(gauge) / width if width else None,
        interaction_pooled=pooled,
    )


def _analysis_of_variance(x: npt.NDArray[np.float64], pool_above: float) -> tuple[tuple[VarianceRow, ...], bool, float]:
    """The table, whether the interaction is to be pooled, and the mean square that stands for repeatability."""
    from scipy.stats import f as f_distribution

    units, operators, trials = x.shape
    grand, cells = x.mean(), x.mean(axis=2)
    by_unit, by_operator = x.mean(axis=(1, 2)), x.mean(axis=(0, 2))
    squares = {
        "units": operators * trials * float(((by_unit - grand) ** 2).sum()),
        "operators": units * trials * float(((by_operator - grand) ** 2).sum()),
        "interaction": trials * float(((cells - by_unit[:, None] - by_operator[None, :] + grand) ** 2).sum()),
        "repeatability": float(((x - cells[:, :, None]) ** 2).sum()),
    }
    degrees = {
        "units": units - 1,
        "operators": operators - 1,
        "interaction": (units - 1) * (operators - 1),
        "repeatability": units * operators * (trials - 1),
    }
    mean_squares = {source: squares[source] / degrees[source] for source in squares}

    def tested(source: str, against: float, against_degrees: int) -> VarianceRow:
        ratio = mean_squares[source] / against if against else math.inf
        chance = float(f_distribution.sf(ratio, degrees[source], against_degrees))
        return VarianceRow(source, squares[source], degrees[source], mean_squares[source], ratio, chance)

    interaction = tested("interaction", mean_squares["repeatability"], degrees["repeatability"])
    pooled = interaction.p is not None and interaction.p > pool_above
    if pooled:
        left_over = degrees["interaction"] + degrees["repeatability"]
        error = (squares["interaction"] + squares["repeatability"]) / left_over
        against, against_degrees = error, left_over
    else:
        error = mean_squares["repeatability"]
        against, against_degrees = mean_squares["interaction"], degrees["interaction"]
    last = VarianceRow(
        "repeatability", squares["repeatability"], degrees["repeatability"], mean_squares["repeatability"]
    )
    return (
        (
            tested("units", against, against_degrees),
            tested("operators", against, against_degrees),
            interaction,
            last,
        ),
        pooled,
        error,
    )


@reading_study("gauge", example="wavewright study gauge rail_noise.ripple --batch-name gauge")
def gauge_study_of_reading(reading: StudiedReading) -> StudyResult:
    """Gauge study of a reading: %GRR, P/T ratio, ndc.

    By analysis of variance over the runs in the logbook: units by operators by trials.

    Raises
    ------
    Misuse : a unit that an operator has not measured at least twice, and not as often as the others.
    """
    table, units, operators = gauge_table(reading.points)
    width = reading.high - reading.low
    found = gauge_study(table, width=width if math.isfinite(width) else None)
    parts = ("repeatability", "reproducibility", "gauge", "units", "total")
    share = found.tolerance_share
    return StudyResult(
        {"serials": units, "operators": operators, **asdict(found)},
        (
            f"{len(units)} units, {len(operators)} operators, {table.shape[2]} trials",
            *(f"{name}: s {reading.shown(getattr(found, name))}" for name in parts),
            f"%GRR of total variation: {100 * found.gauge_share:.1f} %",
            f"P/T ratio (6 s): {'–' if share is None else f'{100 * share:.1f} %'}",
            *_categories(found.distinct_categories),
        ),
    )


def _categories(count: int | None) -> list[str]:
    if count is not None:
        return [f"number of distinct categories (ndc): {count}"]
    return [
        "no variation: every trial of a unit gave the same value, so this says nothing about the gauge;",
        "the scatter may be less than a code of the digitizer: choose a smaller `range`;",
        "on a simulated bench leave --seed out, so that noise is drawn anew in each run",
    ]
