"""`over:`: how the readings of several shots become one, with the uncertainty of the joined value."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import methodcaller
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from wavewright.analysis.reading import Doubt, Finding, Reading
from wavewright.errors import Misuse
from wavewright.nearest import did_you_mean

if TYPE_CHECKING:
    import numpy.typing as npt

Numbers: TypeAlias = "npt.NDArray[np.float64]"  # shape (n,), n ≥ 1
EACH = "each"
STEP = 1e-4  # of the scatter of the shots


@dataclass(frozen=True, slots=True)
class ShotStatistic:
    """One way to join shots.

    Parameters
    ----------
    definition : what it is, in the trade's words.
    join : from the values of all shots and their standard uncertainties (NaN where not known), both shape (n,), to
        the joined value and its standard uncertainty. None: the shots are not joined, every one must hold.
    weights : from the values of all shots to the partial derivative of the joined value by each, both shape (n,); where
        it is left out, found by joining values that differ a little.
    fewest : shots that it needs.
    is_monotonic : no shot that reads more makes the joined value less.
    """

    definition: str
    join: Callable[[Numbers, Numbers], tuple[float, float | None]] | None
    weights: Callable[[Numbers], Numbers] | None = None
    fewest: int = 1
    is_monotonic: bool = True


def _mean(values: Numbers, uncertainties: Numbers) -> tuple[float, float | None]:
    """Mean; what scatters between the shots averages out, and what they state beyond that does not.

    The scatter between shots contains the random part of each (JCGM 100:2008, 4.2.3). Where they scatter by less than
    they state, as codes do that never change, the rest is common to all of them (5.2).
    """
    scatter = float(values.var(ddof=1)) if values.size > 1 else math.nan
    stated = float(np.mean(np.square(uncertainties)))
    if math.isnan(stated):
        return float(values.mean()), None if math.isnan(scatter) else math.sqrt(scatter / values.size)
    random = 0.0 if math.isnan(scatter) else scatter
    return float(values.mean()), math.sqrt(random / values.size + max(0.0, stated - random))


def _of_shot(find: Callable[[Numbers], np.intp]) -> Callable[[Numbers, Numbers], tuple[float, float | None]]:
    def join(values: Numbers, uncertainties: Numbers) -> tuple[float, float | None]:
        shot = find(values)
        return float(values[shot]), _known(uncertainties[shot])

    return join


def _stdev(values: Numbers, uncertainties: Numbers) -> tuple[float, float | None]:
    """Experimental standard deviation, n − 1; relative uncertainty 1/√(2(n − 1)), normal (JCGM 100:2008, E.4.3)."""
    spread = float(values.std(ddof=1))
    return spread, spread / math.sqrt(2 * (values.size - 1))


def _percentile_99(values: Numbers, uncertainties: Numbers) -> tuple[float, float | None]:
    """99th percentile, linear between the ranks; uncertainty from the ranks one binomial standard deviation away.

    The number of values below the percentile is binomial with standard deviation √(n p (1 − p)), whatever the
    distribution; where that reaches beyond the largest value, the uncertainty is not known.
    """
    rank, reach = 0.99 * (values.size - 1), math.sqrt(values.size * 0.99 * 0.01)
    low, value, high = np.interp([rank - reach, rank, rank + reach], np.arange(values.size), np.sort(values))
    return float(value), float(high - low) / 2 if rank + reach <= values.size - 1 else None


def _weights_of_mean(values: Numbers) -> Numbers:
    return np.full(values.size, 1 / values.size)


def _weights_of_shot(find: Callable[[Numbers], np.intp]) -> Callable[[Numbers], Numbers]:
    def weights(values: Numbers) -> Numbers:
        return np.asarray(np.arange(values.size) == find(values), dtype=np.float64)

    return weights


def _weights_of_stdev(values: Numbers) -> Numbers:
    spread = float(values.std(ddof=1))
    return (values - values.mean()) / ((values.size - 1) * spread) if spread else np.zeros(values.size)


def _weights_of_percentile_99(values: Numbers) -> Numbers:
    place = 0.99 * (values.size - 1)
    order, low = np.argsort(values, kind="stable"), int(place)
    weights = np.zeros(values.size)
    weights[order[low]] = 1 - (place - low)
    if low + 1 < values.size:
        weights[order[low + 1]] += place - low
    return weights


_LARGEST, _SMALLEST = methodcaller("argmax"), methodcaller("argmin")
OVER: Mapping[str, ShotStatistic] = MappingProxyType(
    {
        EACH: ShotStatistic("every shot must hold", None),
        "mean": ShotStatistic("the mean of all shots", _mean, _weights_of_mean),
        "max": ShotStatistic("the largest of all shots", _of_shot(_LARGEST), _weights_of_shot(_LARGEST)),
        "min": ShotStatistic("the smallest of all shots", _of_shot(_SMALLEST), _weights_of_shot(_SMALLEST)),
        "stdev": ShotStatistic(
            "the standard deviation of the shots", _stdev, _weights_of_stdev, fewest=2, is_monotonic=False
        ),
        "p99": ShotStatistic("the 99th percentile of the shots", _percentile_99, _weights_of_percentile_99),
    }
)


def find_over(name: str) -> ShotStatistic:
    """The way of joining of that name.

    Raises
    ------
    Misuse : there is none; names the nearest.
    """
    if name in OVER:
        return OVER[name]
    raise Misuse(
        f"unknown statistic over shots, `{name}`",
        expected=f"one of {', '.join(OVER)}",
        do=did_you_mean(name, OVER),
    )


def joined(readings: Sequence[Reading], over: str) -> Reading:
    """The readings of several shots as one; its count, minimum, maximum and standard deviation are over the shots.

    Where a shot has no number, the joined reading has none either, and says how many had none and why. Doubts of
    all shots are carried along, each once, with what they leave open for the joined value.

    Raises
    ------
    Misuse : no reading; readings in several units; `each`, which joins nothing.
    """
    way = find_over(over)
    units = sorted({reading.unit for reading in readings})
    if len(units) != 1 or way.join is None:
        what = f"readings in {', '.join(units) or 'no unit'} to be joined by `{over}`"
        raise Misuse(what, expected="one or more readings in one unit, and a way that joins")
    doubts = all_doubts(readings)
    silent = [one.reason or "no number" for one in readings if one.value is None or not math.isfinite(one.value)]
    if silent:
        reason = (
            silent[0] if len(readings) == 1 else f"{len(silent)} of {len(readings)} shots gave no number: {silent[0]}"
        )
        return Reading(value=None, unit=units[0], doubts=doubts, reason=reason)
    if len(readings) < way.fewest:
        reason = f"`{over}` of {len(readings)} shot; it needs {way.fewest}"
        return Reading(value=None, unit=units[0], doubts=doubts, reason=reason)
    values = np.array([reading.value for reading in readings], dtype=np.float64)
    stated = [math.nan if reading.uncertainty is None else reading.uncertainty for reading in readings]
    if len(readings) == 1:
        return readings[0] if readings[0].doubts == doubts else replace(readings[0], doubts=doubts)
    value, uncertainty = way.join(values, np.array(stated))
    found = Reading(
        value=value,
        unit=units[0],
        uncertainty=uncertainty,
        doubts=doubts,
        findings=tuple(_joined_finding(doubt, readings, value, way) for doubt in doubts),
        count=values.size,
        minimum=float(values.min()),
        maximum=float(values.max()),
        standard_deviation=float(values.std(ddof=1)),
    )
    from wavewright.judgement.joined_budget import joined_budget  # to read a recipe needs the names alone

    budget = joined_budget(
        readings, found, _weights(way, values), is_mean=over == "mean", is_one_shot=over in ("max", "min")
    )
    return found if budget is None else replace(found, budget=budget)


def _weights(way: ShotStatistic, values: Numbers) -> Numbers:
    """The partial derivatives of the joined value: those that are stated, or differences over a small step."""
    assert way.join is not None
    if way.weights is not None:
        return way.weights(values)
    step = STEP * float(values.std()) or STEP * float(np.abs(values).max()) or STEP
    unknown, weights = np.full(values.size, math.nan), np.zeros(values.size)
    for shot in range(values.size):
        ends = []
        for sign in (1.0, -1.0):
            moved = values.copy()
            moved[shot] += sign * step
            ends.append(way.join(moved, unknown)[0])
        weights[shot] = (ends[0] - ends[1]) / (2 * step)
    return weights


def all_doubts(readings: Sequence[Reading]) -> tuple[Doubt, ...]:
    """The doubts of all readings, each once, in the order they came up."""
    return tuple(dict.fromkeys(doubt for reading in readings for doubt in reading.doubts))


def every_finding(first: Reading, readings: Sequence[Reading]) -> tuple[Finding, ...]:
    """A finding for each doubt of all readings: that of `first`, else that of the first reading which has it."""
    found: dict[Doubt, Finding] = {}
    for reading in (first, *readings):
        for one in reading.doubted:
            found.setdefault(one.doubt, one)
    return tuple(found[doubt] for doubt in all_doubts(readings))


def _joined_finding(doubt: Doubt, readings: Sequence[Reading], value: float, way: ShotStatistic) -> Finding:
    """What one doubt of some of the shots means for the joined value: none of it is lost.

    All ways but the standard deviation only rise with the value of a shot, so the joined lowest and highest values
    that the doubt leaves open bound what the joined value may be.
    """
    shots = [next((one for one in reading.doubted if one.doubt is doubt), Finding.idle(doubt)) for reading in readings]
    own = [one for reading, one in zip(readings, shots, strict=True) if doubt in reading.doubts]
    told = max(own, key=lambda one: (one.decides, one.below + one.above))
    numbers = f", in {len(own)} of {len(readings)} shots"
    if not way.is_monotonic:
        reach = math.inf if any(one.below or one.above for one in own) else 0.0
        return Finding(
            doubt, (told.text or doubt.meaning) + numbers, reach, reach, decides=any(one.bears for one in own)
        )
    assert way.join is not None
    unknown = np.full(len(readings), math.nan)
    ends = [
        np.array(
            [(reading.value or 0.0) + sign * getattr(one, side) for reading, one in zip(readings, shots, strict=True)]
        )
        for sign, side in ((-1, "below"), (1, "above"))
    ]
    with np.errstate(invalid="ignore"):
        low, high = (way.join(end, unknown)[0] for end in ends)
    below, above = (math.inf if math.isnan(reach) else max(reach, 0.0) for reach in (value - low, high - value))
    return Finding(doubt, (told.text or doubt.meaning) + numbers, below, above, decides=any(one.decides for one in own))


def _known(number: float) -> float | None:
    return None if math.isnan(number) else float(number)
