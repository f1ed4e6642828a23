"""Control charts: limits that the process itself sets, and the points beyond them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from typing import Annotated

import numpy as np
import numpy.typing as npt

from wavewright.errors import Misuse
from wavewright.judgement.control_rules import ControlRule, RuleCall, calls_of, read_rules
from wavewright.logbook.studies.catalogue import StudiedReading, StudyOption, StudyResult, reading_study


@dataclass(frozen=True, slots=True)
class ChartConstants:
    """Factors of the charts for subgroups of one size, from the normal distribution of range and standard deviation.

    d2, d3 : mean and standard deviation of the range of `size` values with standard deviation 1.
    c4 : mean of their sample standard deviation (n − 1).
    a2, a3 : from mean range, mean standard deviation to the limits of the mean.
    lower_range, upper_range (D3, D4), lower_deviation, upper_deviation (B3, B4) : from the mean to the limits.
    """

    size: int
    d2: float
    d3: float
    c4: float
    a2: float
    a3: float
    lower_range: float
    upper_range: float
    lower_deviation: float
    upper_deviation: float


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """One chart: points, centre line, limits three standard errors away, and the indices of points beyond them."""

    what: str
    points: npt.NDArray[np.float64]
    centre: float
    low: float
    high: float
    beyond: tuple[int, ...]


@cache
def chart_constants(size: int) -> ChartConstants:
    """The factors for subgroups of `size` values, by integration and in closed form; no table is typed in.

    d2 and d3 are the first two moments of the range of normal values; c4 = √(2/(n − 1)) · Γ(n/2)/Γ((n − 1)/2).

    Raises
    ------
    Misuse : a size below 2 or above 25, where charts of ranges lose their sense.
    """
    if not 2 <= size <= 25:
        raise Misuse(f"subgroups of {size}", expected="2 to 25 values in a subgroup")
    d2, d3 = _moments_of_range(size)
    c4 = math.sqrt(2 / (size - 1)) * math.exp(math.lgamma(size / 2) - math.lgamma((size - 1) / 2))
    scatter = 3 * math.sqrt(1 - c4 * c4) / c4
    return ChartConstants(
        size=size,
        d2=d2,
        d3=d3,
        c4=c4,
        a2=3 / (d2 * math.sqrt(size)),
        a3=3 / (c4 * math.sqrt(size)),
        lower_range=max(0.0, 1 - 3 * d3 / d2),
        upper_range=1 + 3 * d3 / d2,
        lower_deviation=max(0.0, 1 - scatter),
        upper_deviation=1 + scatter,
    )


def _moments_of_range(size: int) -> tuple[float, float]:
    """Mean and standard deviation of the range of `size` standard normal values.

    The joint density of smallest x and largest y, n (n − 1) f(x) f(y) (F(y) − F(x))ⁿ⁻², summed on a square grid. The
    trapezoidal rule is good to 1e-8 there, and to 2e-5 for size 2, where the kink of |y − x| on the diagonal counts.
    """
    from scipy.special import ndtr

    x = np.linspace(-9, 9, 1201)
    weight = np.exp(-x * x / 2) * (x[1] - x[0]) / math.sqrt(2 * math.pi)
    width = np.abs(x[:, None] - x[None, :])
    between = np.abs(ndtr(x)[:, None] - ndtr(x)[None, :]) ** (size - 2)
    chance = size * (size - 1) / 2 * weight[:, None] * weight[None, :] * between
    mean = float((chance * width).sum())
    return mean, math.sqrt(float((chance * width**2).sum()) - mean**2)


def individuals_chart(values: npt.ArrayLike) -> tuple[Chart, Chart]:
    """Chart of single values and chart of their moving ranges of two, for readings that come one per unit.

    Limits: mean ± 3 · mean moving range / d2(2); the range chart from 0 to D4(2) times its mean.

    Raises
    ------
    Misuse : fewer than two values.
    """
    each = np.asarray(values, dtype=np.float64)
    if each.size < 2:
        raise Misuse(f"{each.size} values", expected="at least 2")
    k = chart_constants(2)
    ranges = np.abs(np.diff(each))
    centre, mean_range = float(each.mean()), float(ranges.mean())
    reach = 3 * mean_range / k.d2
    return (
        _chart("individual values", each, centre, centre - reach, centre + reach),
        _chart("moving range", ranges, mean_range, 0.0, k.upper_range * mean_range),
    )


def subgroup_charts(groups: npt.ArrayLike) -> tuple[Chart, Chart]:
    """Chart of subgroup means and chart of subgroup ranges; `groups` has the shape (subgroups, size).

    Raises
    ------
    Misuse : not a table of at least two subgroups of 2 to 25 values.
    """
    table = np.asarray(groups, dtype=np.float64)
    if table.ndim != 2 or table.shape[0] < 2:
        raise Misuse(f"subgroups of shape {table.shape}", expected="at least two rows of equal length")
    k = chart_constants(int(table.shape[1]))
    means, ranges = table.mean(axis=1), np.ptp(table, axis=1)
    centre, mean_range = float(means.mean()), float(ranges.mean())
    return (
        _chart("subgroup mean", means, centre, centre - k.a2 * mean_range, centre + k.a2 * mean_range),
        _chart("subgroup range", ranges, mean_range, k.lower_range * mean_range, k.upper_range * mean_range),
    )


def pattern_calls(chart: Chart, rules: Sequence[ControlRule]) -> list[RuleCall]:
    """What rules call on a chart whose limits are 3 sigma away; nothing where its points do not scatter."""
    sigma = (chart.high - chart.centre) / 3
    return calls_of(((chart.points - chart.centre) / sigma).tolist(), rules) if sigma > 0 else []


def _chart(what: str, points: npt.NDArray[np.float64], centre: float, low: float, high: float) -> Chart:
    beyond = np.flatnonzero((points < low) | (points > high))
    return Chart(what, points, centre, low, high, tuple(int(index) for index in beyond))


@reading_study("chart", example="wavewright study chart rail_noise.ripple --subgroup 5")
def charts_of_reading(
    reading: StudiedReading,
    *,
    subgroup: Annotated[
        int, StudyOption("Readings in a subgroup, in the order of time; 1: individuals chart.", 1, 25)
    ] = 1,
    rules: Annotated[str, StudyOption("Rules to look for, as in `stop_when:`: nelson, 8 in a row on one side.")] = "",
) -> StudyResult:
    """Control charts of a reading.

    Centre line, control limits, the points beyond them, and with --rules the patterns that call on the first chart.
    Readings that come one per unit make an individuals chart and a moving range chart; subgroups of consecutive ones a
    chart of their means and one of their ranges. Readings that fill no subgroup are left out, the newest ones.

    Raises
    ------
    Misuse : fewer than two values, or two subgroups.
    """
    values = np.array(reading.values)
    whole = values.size // subgroup
    left_out = values.size - whole * subgroup
    groups = values[: whole * subgroup].reshape(whole, subgroup)
    wanted = read_rules(rules) if rules else ()
    charts = individuals_chart(values) if subgroup == 1 else subgroup_charts(groups)
    calls = pattern_calls(charts[0], wanted)
    rest = f"; the newest {left_out} fill no subgroup and are left out" if left_out else ""
    counted = "" if subgroup == 1 else f", {whole} subgroups of {subgroup}"
    return StudyResult(
        {
            "subgroup": subgroup,
            "left_out": left_out,
            "calls": [asdict(call) for call in calls],
            "charts": [{**asdict(chart), "points": chart.points.tolist()} for chart in charts],
        },
        (
            f"{values.size} readings{counted}{rest}",
            *(line for chart in charts for line in _lines(chart, reading)),
            *(
                f"{charts[0].what}: {call.rule}: points {call.index - call.count + 2} to {call.index + 1}"
                for call in calls
            ),
            *(["no rule calls"] if wanted and not calls else ()),
        ),
    )


def _lines(chart: Chart, reading: StudiedReading) -> Iterator[str]:
    low, high = reading.shown(chart.low), reading.shown(chart.high)
    yield f"{chart.what}: centre {reading.shown(chart.centre)}, control limits {low} .. {high}"
    if not chart.beyond:
        yield f"{chart.what}: no point beyond the control limits"
    for index in chart.beyond:
        yield f"{chart.what}: point {index + 1} is beyond them: {reading.shown(float(chart.points[index]))}"
