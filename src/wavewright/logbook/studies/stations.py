"""Stations against one another: does one read otherwise than the rest?"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from typing import Annotated

import numpy as np
import numpy.typing as npt

from wavewright.errors import Misuse
from wavewright.logbook.studies.catalogue import StudiedReading, StudyOption, StudyResult, reading_study

Values = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StationDifference:
    """Two means that were compared.

    Parameters
    ----------
    first, second : stations; an empty `second` stands for all the others.
    difference : mean of the first less that of the second, in the reading's unit.
    p : chance of so large a difference if there were none, corrected for the number of comparisons of its kind.
    """

    first: str
    second: str
    difference: float
    p: float


@dataclass(frozen=True, slots=True)
class StationStudy:
    """Whether stations read alike.

    Parameters
    ----------
    counts, means, deviations : by station: readings, their mean, their standard deviation.
    f, p : of Welch's analysis of variance over all stations; None where no reading scatters.
    against_rest : each station against the mean of the others; pairs : every two.
    otherwise : the stations that read otherwise, the least likely one first: one that does is taken out before the
        others are compared again, so that none is blamed for it. Of two that differ both are named.
    significance : the level that was asked for.
    """

    counts: Mapping[str, int]
    means: Mapping[str, float]
    deviations: Mapping[str, float]
    f: float | None
    p: float | None
    against_rest: tuple[StationDifference, ...]
    pairs: tuple[StationDifference, ...]
    otherwise: tuple[str, ...]
    significance: float


def station_study(readings: Mapping[str, Sequence[float]], *, significance: float = 0.01) -> StationStudy:
    """Compare the means of stations, whose readings need neither be equally many nor scatter alike.

    Over all: the analysis of variance of B. L. Welch (Biometrika 38, 1951, 330-336 †). Each station against the mean of
    the others' means, and each pair: the difference over its standard error, judged by Student's t with the degrees of
    freedom of the smallest group. That bounds the chance of a false alarm however the scatters differ (J. Hájek,
    Mathematical Methods of Probability, 1962 †), which the usual estimate of the degrees of freedom does not for
    groups of few. Corrected for the number of comparisons after S. Holm (Scandinavian Journal of Statistics 6, 1979,
    65-70 †): if all stations read alike, the chance that any is named is at most `significance`.

    Parameters
    ----------
    readings : by station, at least two of each.
    significance : chance of a false alarm, 0 … 1.

    Raises
    ------
    Misuse : fewer than two stations, fewer than two readings of one, or a value that is not a finite number.
    """
    groups = {name: np.asarray(values, dtype=np.float64) for name, values in readings.items()}
    if len(groups) < 2:
        raise Misuse(
            f"{len(groups)} stations", expected="at least 2", do="runs get theirs with `wavewright run --station NAME`"
        )
    for name, values in groups.items():
        if values.size < 2 or not np.isfinite(values).all():
            raise Misuse(
                f"station `{name}` has {values.size} readings, or one without a finite number",
                expected="at least 2 readings of each station, all with a number",
            )
    rest = _holm([(name, "", *_against_rest(groups, name)) for name in groups])
    pairs = _holm(
        [(one, other, *_contrast([1, -1], groups[one], groups[other])) for one, other in combinations(groups, 2)]
    )
    f, p = _welch_variance(list(groups.values()))
    return StationStudy(
        {name: values.size for name, values in groups.items()},
        {name: float(values.mean()) for name, values in groups.items()},
        {name: float(values.std(ddof=1)) for name, values in groups.items()},
        f, p, rest, pairs, tuple(_otherwise(groups, significance)), significance,
    )  # fmt: skip


def centred(points: Sequence[tuple[str, str, float]]) -> dict[str, list[float]]:
    """Readings of units that went round, by station, each less the mean of its unit over the stations.

    Units that not every station has measured are left out; so a station is not blamed for the units that it got.

    Parameters
    ----------
    points : station, serial number and value.

    Raises
    ------
    Misuse : no unit was at every station.
    """
    units: dict[str, dict[str, list[float]]] = {}
    for station, serial, value in points:
        units.setdefault(serial, {}).setdefault(station, []).append(value)
    stations = sorted({station for station, _, _ in points})
    went_round = {serial: by for serial, by in units.items() if len(by) == len(stations)}
    if not went_round:
        raise Misuse(
            "no unit was measured at every station",
            expected=f"a unit that went round: {', '.join(stations)}",
            do="measure one unit at each station, several times, or omit --went-round",
        )
    found: dict[str, list[float]] = {station: [] for station in stations}
    for by in went_round.values():
        middle = float(np.mean([np.mean(values) for values in by.values()]))
        for station, values in by.items():
            found[station] += [value - middle for value in values]
    return found


def _otherwise(groups: Mapping[str, Values], significance: float) -> Iterator[str]:
    left = dict(groups)
    while len(left) > 1:
        worst = min(_holm([(name, "", *_against_rest(left, name)) for name in left]), key=lambda one: one.p)
        if worst.p >= significance:
            return
        if len(left) == 2:  # which of them cannot be said
            yield from left
            return
        del left[worst.first]
        yield worst.first


def _against_rest(groups: Mapping[str, Values], name: str) -> tuple[float, float]:
    others = [values for other, values in groups.items() if other != name]
    return _contrast([1.0, *[-1 / len(others)] * len(others)], groups[name], *others)


def _contrast(weights: Sequence[float], *groups: Values) -> tuple[float, float]:
    """A contrast of means, and its p value, which is not too small however the groups scatter."""
    from scipy.stats import t as t_distribution

    pairs = list(zip(weights, groups, strict=True))
    difference = sum(weight * float(values.mean()) for weight, values in pairs)
    variance = sum(weight**2 * float(values.var(ddof=1)) / values.size for weight, values in pairs)
    if not variance:
        return difference, 1.0 if not difference else 0.0
    degrees = min(values.size for values in groups) - 1
    return difference, float(2 * t_distribution.sf(abs(difference) / math.sqrt(variance), degrees))


def _welch_variance(groups: Sequence[Values]) -> tuple[float | None, float | None]:
    """Welch's F over groups whose variances may differ, and its p value."""
    from scipy.stats import f as f_distribution

    variances = np.array([values.var(ddof=1) for values in groups])
    if not variances.all():
        return None, None
    sizes = np.array([values.size for values in groups])
    weights = sizes / variances
    means = np.array([values.mean() for values in groups])
    middle = float((weights * means).sum() / weights.sum())
    count = len(groups)
    spread = float((((1 - weights / weights.sum()) ** 2) / (sizes - 1)).sum())
    ratio = float((weights * (means - middle) ** 2).sum() / (count - 1)) / (
        1 + 2 * (count - 2) * spread / (count**2 - 1)
    )
    return ratio, float(f_distribution.sf(ratio, count - 1, (count**2 - 1) / (3 * spread)))


def _holm(compared: Sequence[tuple[str, str, float, float]]) -> tuple[StationDifference, ...]:
    """The p values multiplied by how many are not smaller, and never smaller than one before."""
    order = sorted(range(len(compared)), key=lambda place: compared[place][3])
    corrected = [1.0] * len(compared)
    worst = 0.0
    for rank, place in enumerate(order):
        worst = max(worst, min(1.0, (len(compared) - rank) * compared[place][3]))
        corrected[place] = worst
    return tuple(
        StationDifference(first, second, difference, p)
        for (first, second, difference, _), p in zip(compared, corrected, strict=True)
    )


@reading_study("stations", example="wavewright study stations rail.level --batch-name lot-7")
def stations_of_reading(
    reading: StudiedReading,
    *,
    significance: Annotated[
        float, StudyOption("Chance of naming a station although all read alike.", 1e-6, 0.5)
    ] = 0.01,
    went_round: Annotated[bool, StudyOption("Only units that every station measured, each less its own mean.")] = False,
) -> StudyResult:
    """Compare the stations of a line.

    Whether one reads otherwise than the others: analysis of variance, each station against the rest, and every pair.
    Stations that get different units differ by them too: let a golden unit go round, and take --went-round.

    Raises
    ------
    Misuse : fewer than two stations with at least two readings, or no unit that every station measured.
    """
    there = (one for one in reading.points if one.station)
    points = [(one.station, one.serial, one.value) for one in there if one.value is not None]
    by_station: dict[str, list[float]] = {}
    for station, _, value in points:
        by_station.setdefault(station, []).append(value)
    if went_round:
        by_station = centred(points)
    found = station_study(dict(sorted(by_station.items())), significance=significance)
    left_out = sum(not one.station for one in reading.points)
    against = {one.first: one for one in found.against_rest}
    shown = reading.shown
    lines = [
        f"{name}: {count} readings, mean {shown(found.means[name])}, s {shown(found.deviations[name])};"
        f" {shown(against[name].difference)} from the rest, p {against[name].p:.2g}"
        for name, count in found.counts.items()
    ]
    if left_out:
        lines.append(f"{left_out} runs have no station and are left out")
    if found.f is not None and found.p is not None:
        lines.append(f"all stations: F {found.f:.3g}, p {found.p:.2g} (Welch)")
    lines += [
        f"{one.first} and {one.second}: {reading.shown(one.difference)}, p {one.p:.2g}"
        for one in found.pairs
        if one.p < significance
    ]
    for name in found.otherwise:
        middle = found.means[name] - against[name].difference
        share = None if went_round or not middle else against[name].difference / abs(middle)
        by = "" if share is None else f" ({100 * share:+.2g} % of the others' mean)"
        lines.append(f"{name} reads otherwise: by {reading.shown(against[name].difference)}{by}")
    if not found.otherwise:
        lines.append(f"no station reads otherwise at a significance of {100 * significance:g} %")
    return StudyResult(asdict(found), tuple(lines))
