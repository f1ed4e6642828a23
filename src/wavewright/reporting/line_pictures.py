"""Pictures of a reading over very many runs: each column of pixels from its lowest to its highest, no reading left out.

Where there are few enough each reading is a point that leads to its run.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wavewright.logbook.studies.control_charts import Chart, individuals_chart
from wavewright.logbook.studies.stations import StationStudy
from wavewright.quantities import show_quantity
from wavewright.reporting.layers import CurveLayer, Floats, Layer, PointsLayer, TraceLayer
from wavewright.reporting.marks import LevelMark, MarkRole
from wavewright.reporting.palette import BLUE, SKY_BLUE
from wavewright.reporting.picture import CLOCK, Axis, Panel, Picture

MOST_POINTS = 300  # that are drawn one by one
COLUMNS = 600  # of a picture that has more: as many as a window has pixels for, about
MARGIN = 0.08
TextOfPoint = Callable[[int], str]


@dataclass(frozen=True, slots=True, eq=False)
class ReadingSeries:
    """A reading of many runs, oldest first.

    Parameters
    ----------
    times : s since 1970-01-01 UTC; values : without gaps; failed : which ones have failed.
    labels, links : what each is called, and where it leads; asked for the points that are drawn one by one.
    limits : the ends of the limit of the newest run.
    """

    name: str
    unit: str
    times: Floats
    values: Floats
    failed: npt.NDArray[np.bool_]
    labels: TextOfPoint
    links: TextOfPoint
    limits: tuple[float, ...] = ()

    def told(self) -> str:
        """How many, from where to where."""
        ends = " to ".join(show_quantity(float(end), self.unit) for end in (self.values.min(), self.values.max()))
        return f"{self.values.size} readings from {ends}; {int(self.failed.sum())} failed."


def series_picture(series: ReadingSeries) -> Picture:
    """Readings over time, with the limits; failed ones are marked."""
    levels = tuple(LevelMark(end, f"limit {show_quantity(end, series.unit)}", MarkRole.LIMIT) for end in series.limits)
    times, values = series.times, series.values
    room = max((float(times[-1]) - float(times[0])) / 50, 1.0)
    layers: tuple[Layer, ...]
    if values.size <= MOST_POINTS:
        layers = (_points(series, np.arange(values.size), times, values, np.flatnonzero(series.failed)),)
        how = "Each point is one run."
    else:
        width = (float(times[-1]) - float(times[0])) / COLUMNS or 1.0
        column = np.minimum(((times - times[0]) / width).astype(np.int64), COLUMNS - 1)
        whole = _columns(series, column, float(times[0]), width)
        layers, how = _with_marked(series, whole, np.flatnonzero(series.failed), "failed", x=times, y=values)
    low, high = _widened([*series.limits, float(values.min()), float(values.max())])
    panel = Panel(series.name, Axis(series.name, series.unit, low, high), layers, levels, height=240)
    axis = Axis("", CLOCK, float(times[0]) - room, float(times[-1]) + room)
    return Picture("trend", "Over time", f"{series.told()} {how} Times are UTC.", axis, (panel,))


def series_charts(series: ReadingSeries) -> tuple[Picture, ...]:
    """Individuals chart and moving range chart, in the order of time; none for fewer than two readings."""
    if series.values.size < 2:
        return ()
    single, ranges = individuals_chart(series.values)
    return (
        _chart(series, single, first=0, name="individuals", title="Individuals chart", along="reading"),
        _chart(series, ranges, first=1, name="range", title="Moving range chart", along="range of two runs"),
    )


def _chart(series: ReadingSeries, chart: Chart, *, first: int, name: str, title: str, along: str) -> Picture:
    """`first` : the reading, from 0, that the first point of the chart is of."""
    values = np.asarray(chart.points, dtype=np.float64)
    numbers = 1.0 + first + np.arange(values.size, dtype=np.float64)
    beyond = np.array(chart.beyond, dtype=np.int64)
    layers: tuple[Layer, ...]
    if values.size <= MOST_POINTS:
        layers = (_points(series, first + np.arange(values.size), numbers, values, beyond, is_joined=True),)
        how = ""
    else:
        width = values.size / COLUMNS
        column = np.minimum((np.arange(values.size) / width).astype(np.int64), COLUMNS - 1)
        whole = _columns(series, column, float(numbers[0]) - 0.5, width, values)
        layers, how = _with_marked(series, whole, beyond, "outside", x=numbers, y=values, first=first)
    levels = (
        LevelMark(chart.low, "lower control limit", MarkRole.LIMIT),
        LevelMark(chart.centre, "centre line", MarkRole.CENTRE),
        LevelMark(chart.high, "upper control limit", MarkRole.LIMIT),
    )
    low, high = _widened([chart.low, chart.high, float(values.min()), float(values.max())])
    panel = Panel(title, Axis(along, series.unit, low, high), layers, levels, height=180)
    ends = " and ".join(show_quantity(end, series.unit) for end in (chart.low, chart.high))
    out = f"{beyond.size} of {values.size} points are outside them." if beyond.size else "All points are inside them."
    told = f"Centre line {show_quantity(chart.centre, series.unit)}, control limits {ends}. {out} {how}".strip()
    axis = Axis("run", "count", float(numbers[0]) - 0.5, float(numbers[-1]) + 0.5)
    return Picture(name, title, told, axis, (panel,))


def stations_picture(study: StationStudy, unit: str, name: str) -> Picture:
    """The mean of each station, with the interval that holds it with 95 %."""
    from scipy.stats import t as t_distribution

    layers = []
    ends = []
    for at, (station, mean) in enumerate(study.means.items()):
        count = study.counts[station]
        reach = float(t_distribution.ppf(0.975, count - 1)) * study.deviations[station] / count**0.5
        x, y, lows, highs = (np.array([float(value)]) for value in (at, mean, mean - reach, mean + reach))
        layers.append(CurveLayer(station, BLUE, x, y, lows, highs, has_points=True))
        ends += [mean - reach, mean + reach]
    low, high = _widened(ends)
    panel = Panel(name, Axis(f"mean of {name}", unit, low, high), tuple(layers), height=200)
    across = Axis("", "", -0.6, len(layers) - 0.4, names=tuple(study.means))
    told = "The mean of each station, with the interval that holds it with 95 % (Student's t)."
    return Picture("stations", "Means by station", told, across, (panel,))


def _points(
    series: ReadingSeries,
    which: npt.NDArray[np.int64],
    x: Floats,
    y: Floats,
    failed: npt.NDArray[np.int64],
    *,
    is_joined: bool = False,
) -> PointsLayer:
    """`which` : the readings that the points are of; `failed` : places among the points."""
    labels, links = (tuple(map(text, which.tolist())) for text in (series.labels, series.links))
    return PointsLayer("reading", BLUE, x, y, labels, links, tuple(failed.tolist()), is_joined)


def _with_marked(
    series: ReadingSeries,
    whole: TraceLayer,
    marked: npt.NDArray[np.int64],
    word: str,
    *,
    x: Floats,
    y: Floats,
    first: int = 0,
) -> tuple[tuple[Layer, ...], str]:
    """Columns of all readings, the newest marked ones as points over them."""
    how = (
        f"Each column is drawn from its lowest to its highest reading, with the mean; those that are {word} are points"
    )
    newest = marked[-MOST_POINTS:]
    if newest.size < marked.size:
        how += f", the newest {newest.size} of {marked.size}"
    if not newest.size:
        return (whole,), "Each column is drawn from its lowest to its highest reading, with the mean."
    points = _points(series, first + newest, x[newest], y[newest], np.arange(newest.size))
    return (whole, points), f"{how}."


def _columns(
    series: ReadingSeries, column: npt.NDArray[np.int64], start: float, width: float, values: Floats | None = None
) -> TraceLayer:
    """Lowest, highest and mean of each column; `column` : that of each reading, in rising order."""
    values = series.values if values is None else values
    begun = np.flatnonzero(np.diff(column, prepend=-1))
    filled = column[begun]
    lows, highs, means = (np.full(COLUMNS, np.nan, dtype=np.float32) for _ in range(3))
    lows[filled] = np.minimum.reduceat(values, begun)
    highs[filled] = np.maximum.reduceat(values, begun)
    means[filled] = np.add.reduceat(values, begun) / np.diff(np.append(begun, values.size))
    return TraceLayer("readings", series.unit, SKY_BLUE, start + width / 2, width, means, lows, highs)


def _widened(ends: Sequence[float]) -> tuple[float, float]:
    low, high = min(ends), max(ends)
    margin = MARGIN * ((high - low) or abs(high) or 1.0)
    return low - margin, high + margin
