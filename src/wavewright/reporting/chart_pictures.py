"""Pictures of many runs: histogram with limits, control chart, trend, Pareto."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from wavewright.logbook.columns.line_figures import LineFigures
from wavewright.logbook.queries import Point, Trend
from wavewright.logbook.studies.control_charts import Chart, individuals_chart
from wavewright.logbook.studies.pareto import ParetoRow
from wavewright.quantities import show_quantity
from wavewright.reporting.layers import BarsLayer, CurveLayer, Floats, Layer, PointsLayer
from wavewright.reporting.marks import InstantMark, LevelMark, MarkRole
from wavewright.reporting.palette import BLUE, INK, ORANGE, SKY_BLUE
from wavewright.reporting.picture import CLOCK, Axis, Panel, Picture

ALIKE = 1e-9  # relative: no chart shows by how little such values differ
MARGIN = 0.08


def histogram_picture(anchor: str, name: str, points: Sequence[Point], unit: str) -> Picture:
    """How often each value came, with the limits drawn in."""
    values = [point.value for point in points if point.value is not None]
    edges = np.array(bar_edges(values), dtype=np.float64)
    heights, _ = np.histogram(values, edges)
    limits = _limits(points)
    low, high = widened(min([edges[0], *limits]), max([edges[-1], *limits]))
    marks = tuple(InstantMark(end, f"limit {show_quantity(end, unit)}", MarkRole.LIMIT) for end in limits)
    bars = BarsLayer(name, SKY_BLUE, edges, heights.astype(np.float64))
    panel = Panel(name, Axis("runs", "count", 0.0, 1.08 * float(heights.max())), (bars,), marks, height=180)
    ends = ", ".join(show_quantity(end, unit) for end in limits)
    first, last = show_quantity(min(values), unit), show_quantity(max(values), unit)
    told = f"{len(values)} readings of {name} from {first} to {last}." + (f" Limits: {ends}." if ends else "")
    return Picture(f"{anchor}-histogram", f"{name}: distribution", told, Axis(name, unit, low, high), (panel,))


def bar_edges(values: Sequence[float]) -> list[float]:
    """The edges of the bars; one bar around values that differ in their last digits alone."""
    low, high = min(values), max(values)
    if high - low > ALIKE * max(abs(low), abs(high)):
        return [float(edge) for edge in np.histogram_bin_edges(values, "auto")]
    half = max(ALIKE * max(abs(low), abs(high)), high - low) or 0.5
    return [low - half, high + half]


def control_pictures(anchor: str, name: str, points: Sequence[Point], unit: str) -> list[Picture]:
    """Individuals chart and moving range chart, in the order of time; each point leads to its run."""
    valued = [point for point in points if point.value is not None]
    if len(valued) < 2:
        return []
    single, ranges = individuals_chart([point.value for point in valued if point.value is not None])
    return [
        _chart_picture(f"{anchor}-single", f"{name}: individuals chart", single, valued, unit),
        _chart_picture(f"{anchor}-range", f"{name}: moving range chart", ranges, valued[1:], unit, first=2),
    ]


def run_link(run: str) -> str:
    """Where in its page a run has its row."""
    return f"#run-{run}"


def pareto_picture(anchor: str, rows: Sequence[ParetoRow]) -> Picture:
    """Failed readings by how often, with their cumulative share."""
    edges = np.arange(len(rows) + 1, dtype=np.float64) - 0.5
    counts = np.array([row.count for row in rows], dtype=np.float64)
    shares = np.array([row.cumulative for row in rows], dtype=np.float64)
    layers = (
        BarsLayer("runs", ORANGE, edges, counts),
        CurveLayer(
            "cumulative", INK, np.arange(len(rows), dtype=np.float64), shares, is_on_right=True, has_points=True
        ),
    )
    across = Axis("", "", -0.6, max(len(rows), 3) - 0.4, names=tuple(row.cause for row in rows))
    runs = Axis("runs in which it failed", "count", 0.0, 1.05 * float(counts.max(initial=1)))
    panel = Panel("runs", runs, layers, right=Axis("cumulative", "1", 0.0, 1.05), height=220)
    told = "; ".join(f"{row.cause} in {row.count} {'run' if row.count == 1 else 'runs'}" for row in rows[:8])
    return Picture(f"{anchor}-pareto", "Pareto of failures", f"Most frequent first: {told}.", across, (panel,))


def yield_picture(anchor: str, days: Sequence[LineFigures]) -> Picture:
    """First-pass and final yield of each day; nothing is drawn through days without runs, and each leads to its day."""
    noons = [day.begun.replace(hour=12, minute=0, second=0, microsecond=0) for day in days]
    times = np.array([noon.timestamp() for noon in noons])
    first = np.array([day.first_passed / day.units for day in days])
    final = np.array([day.good / day.units for day in days])
    links = tuple(f"day?day={day.name}" for day in days)
    layers = tuple(
        PointsLayer(name, colour, times, share, tuple(f"{day.name}, {name}" for day in days), links, is_joined=True)
        for name, colour, share in (("first-pass yield", BLUE, first), ("final yield", ORANGE, final))
    )
    lowest = min(first.min(), final.min())
    low = max(0.0, lowest - MARGIN * (1 - lowest) - 0.005)
    panel = Panel("yield", Axis("yield", "1", float(low), 1.005), layers, height=160)
    room = 43_200.0
    span = f"{len(days)} days with runs, {days[0].name} to {days[-1].name}"
    told = f"First-pass yield (blue) and final yield (orange) of {span}."
    axis = Axis("", CLOCK, float(times[0]) - room, float(times[-1]) + room)
    return Picture(f"{anchor}-yield", "Yield by day", told, axis, (panel,))


def _chart_picture(name: str, title: str, chart: Chart, of: Sequence[Point], unit: str, *, first: int = 1) -> Picture:
    """`of` : the reading that each point is of; `first` : number of the run that the first one belongs to."""
    runs = first + np.arange(chart.points.size, dtype=np.float64)
    labels = tuple(point.serial or point.outcome for point in of)
    points = PointsLayer(
        title, BLUE, runs, np.asarray(chart.points, dtype=np.float64), labels,
        links=tuple(run_link(point.outcome) for point in of), failed=tuple(chart.beyond), is_joined=True,
    )  # fmt: skip
    levels = (
        LevelMark(chart.low, "lower control limit", MarkRole.LIMIT),
        LevelMark(chart.centre, "centre line", MarkRole.CENTRE),
        LevelMark(chart.high, "upper control limit", MarkRole.LIMIT),
    )
    low, high = widened(min(chart.low, float(points.y.min())), max(chart.high, float(points.y.max())))
    panel = Panel(title, Axis("range" if first > 1 else "reading", unit, low, high), (points,), levels, height=180)
    told = (
        f"{chart.points.size} points, centre line {show_quantity(chart.centre, unit)}, control limits "
        f"{show_quantity(chart.low, unit)} and {show_quantity(chart.high, unit)}."
    )
    out = ", ".join(str(labels[index]) for index in chart.beyond[:12])
    told += f" Outside them: {out}." if out else " All are inside them."
    return Picture(name, title, told, Axis("run", "count", first - 0.5, float(runs[-1]) + 0.5), (panel,))


def trend_picture(trend: Trend, points: Sequence[Point], *, told: str) -> Picture:
    """Single readings over time where there are points, and the mean of each interval of time, with its extremes.

    Nothing is drawn through an interval without readings; each point leads to its run.
    """
    limits = [end for end in _limits(points) if math.isfinite(end)]
    valued = [point for point in points if point.value is not None]
    single = PointsLayer(
        "reading", BLUE, np.array([point.started.timestamp() for point in valued]),
        np.array([point.value for point in valued], dtype=np.float64), tuple(map(_point_label, valued)),
        links=tuple(run_link(point.outcome) for point in valued),
        failed=tuple(number for number, point in enumerate(valued) if point.verdict == "fail"),
    )  # fmt: skip
    times, means, lows, highs = _with_gaps(trend)
    is_single = len(valued) == trend.count  # then the points show all that there is
    mean = CurveLayer(
        "mean", INK, times, means, None if is_single else lows, None if is_single else highs, has_points=not valued
    )
    layers: tuple[Layer, ...] = (mean, single) if valued else (mean,)
    ends = [*limits, *single.y.tolist(), *lows[np.isfinite(lows)].tolist(), *highs[np.isfinite(highs)].tolist()]
    low, high = widened(min(ends), max(ends))
    instants = [*single.x.tolist(), *times.tolist()]
    first, last = min(instants), max(instants)
    room = max((last - first) / 50, 1.0)  # s; else the frame cuts the first and the last point
    marks = tuple(LevelMark(end, f"limit {show_quantity(end, trend.unit)}", MarkRole.LIMIT) for end in limits)
    panel = Panel(trend.name, Axis(trend.name, trend.unit, low, high), layers, marks, height=300)
    title = "Single readings, and the mean of each interval of time" if valued else "Mean of each interval of time"
    return Picture("trend", title, told, Axis("time, UTC", CLOCK, first - room, last + room), (panel,))


def _point_label(point: Point) -> str:
    return f"{point.serial}, run {point.outcome}" if point.serial else f"run {point.outcome}"


def _with_gaps(trend: Trend) -> tuple[Floats, Floats, Floats, Floats]:
    """Times, means, lowest and highest readings of the buckets, with a gap wherever one or more had no reading."""
    rows: list[tuple[float, float, float, float]] = []
    before: float | None = None
    for bucket in trend.buckets:
        begun = bucket.started.timestamp()
        if before is not None and begun - before > 1.5 * trend.width:
            rows.append(((before + begun + trend.width) / 2, math.nan, math.nan, math.nan))
        rows.append((bucket.middle.timestamp(), bucket.mean, bucket.minimum, bucket.maximum))
        before = begun
    times, means, lows, highs = np.array(rows, dtype=np.float64).reshape(-1, 4).T
    return times, means, lows, highs


def _limits(points: Sequence[Point]) -> list[float]:
    return sorted({end for point in points for end in (point.low, point.high) if end is not None})


def widened(low: float, high: float) -> tuple[float, float]:
    """Both ends with a margin."""
    margin = MARGIN * ((high - low) or abs(high) or 1.0)
    return float(low - margin), float(high + margin)
