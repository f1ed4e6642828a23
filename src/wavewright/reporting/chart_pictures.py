"""Pictures of many runs: histogram with limits, control chart, trend, Pareto."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.logbook.queries import Point
from wavewright.logbook.studies.control_charts import Chart, individuals_chart
from wavewright.logbook.studies.pareto import ParetoRow
from wavewright.quantities import show_quantity
from wavewright.reporting.axis_units import hover_value, value_axis
from wavewright.reporting.palette import BLUE, BLUISH_GREEN, INK, ORANGE, SKY_BLUE, VERMILION
from wavewright.reporting.picture import Picture

if TYPE_CHECKING:
    import plotly.graph_objects as go


# ISO 8601 at every distance of two ticks, in milliseconds
DATES = [
    {"dtickrange": [None, 60_000], "value": "%H:%M:%S\n%Y-%m-%d"},
    {"dtickrange": [60_000, 86_400_000], "value": "%H:%M\n%Y-%m-%d"},
    {"dtickrange": [86_400_000, "M1"], "value": "%Y-%m-%d"},
    {"dtickrange": ["M1", None], "value": "%Y-%m"},
]


ALIKE = 1e-9  # relative: no chart shows by how little such values differ


def histogram_picture(anchor: str, name: str, points: Sequence[Point], unit: str) -> Picture:
    """How often each value came, with the limits drawn in."""
    import plotly.graph_objects as go

    values = [point.value for point in points if point.value is not None]
    edges = bar_edges(values)
    step = (edges[1] - edges[0]) * (1 + 1e-9)  # the largest value belongs to the last bar, not to one of its own
    bins = {"start": edges[0], "end": edges[-1] + step / 2, "size": step}
    bars = go.Histogram(
        x=values, xbins=bins, autobinx=False, marker={"color": SKY_BLUE, "line": {"color": INK, "width": 1}}
    )
    figure = go.Figure(bars)
    limits = sorted({end for point in points for end in (point.low, point.high) if end is not None})
    shapes = [_upright(end, VERMILION) for end in limits]
    labels = [_limit_label(end, unit, x=end, y=1, xref="x", yref="paper", yanchor="bottom") for end in limits]
    low, high = min([edges[0], *limits]), max([edges[-1], *limits])
    margin = 0.08 * ((high - low) or abs(high) or 1.0)
    figure.update_xaxes(range=[low - margin, high + margin], **value_axis(unit))
    figure.update_yaxes(title_text="runs")
    figure.update_layout(height=260, shapes=shapes, annotations=labels, showlegend=False, bargap=0.02)
    ends = ", ".join(show_quantity(end, unit) for end in limits)
    told = f"{len(values)} readings of {name} from {_shown(min(values), unit)} to {_shown(max(values), unit)}."
    return Picture(f"{anchor}-histogram", f"{name}: distribution", told + (f" Limits: {ends}." if ends else ""), figure,
                   along="value")  # fmt: skip


def bar_edges(values: Sequence[float]) -> list[float]:
    """The edges of the bars; one bar around values that differ in their last digits alone."""
    low, high = min(values), max(values)
    if high - low > ALIKE * max(abs(low), abs(high)):
        return [float(edge) for edge in np.histogram_bin_edges(values, "auto")]
    half = max(ALIKE * max(abs(low), abs(high)), high - low) or 0.5
    return [low - half, high + half]


def control_pictures(anchor: str, name: str, points: Sequence[Point], unit: str) -> list[Picture]:
    """Individuals chart and moving range chart, in the order of time."""
    values = [point.value for point in points if point.value is not None]
    if len(values) < 2:
        return []
    labels = [point.serial or point.outcome for point in points if point.value is not None]
    single, ranges = individuals_chart(values)
    return [
        _chart_picture(f"{anchor}-single", f"{name}: individuals chart", single, labels, unit),
        _chart_picture(f"{anchor}-range", f"{name}: moving range chart", ranges, labels[1:], unit, first=2),
    ]


def pareto_picture(anchor: str, rows: Sequence[ParetoRow]) -> Picture:
    """Failed readings by how often, with their cumulative share."""
    import plotly.graph_objects as go

    names = [row.cause for row in rows]
    figure = go.Figure(
        [
            go.Bar(x=names, y=[row.count for row in rows], marker={"color": ORANGE}, name="runs"),
            go.Scatter(x=names, y=[row.cumulative for row in rows], yaxis="y2", line={"color": INK}, name="cumulative"),
        ]
    )
    figure.update_xaxes(range=[-0.6, max(len(rows), 3) - 0.4], autorange=False)
    figure.update_layout(
        height=320, showlegend=False,
        yaxis={"title": {"text": "runs in which it failed"}, "rangemode": "tozero", "tickformat": "d", "nticks": 6,
               "tick0": 0, **({"dtick": 1} if max((row.count for row in rows), default=0) < 6 else {})},
        yaxis2={
            "overlaying": "y", "side": "right", "range": [0, 1.05], "tickformat": ".0%", "showgrid": False,
            "automargin": True,
        },
    )  # fmt: skip
    told = "; ".join(f"{row.cause} in {row.count} runs" for row in rows[:8])
    return Picture(f"{anchor}-pareto", "Pareto of failures", f"Most frequent first: {told}.", figure,
                   along="value")  # fmt: skip


def _chart_picture(name: str, title: str, chart: Chart, labels: Sequence[str], unit: str, *, first: int = 1) -> Picture:
    """`first` : number of the run that the first point belongs to."""
    import plotly.graph_objects as go

    beyond = set(chart.beyond)
    colours = [VERMILION if index in beyond else INK for index in range(chart.points.size)]
    symbols = ["x" if index in beyond else "circle" for index in range(chart.points.size)]
    figure = go.Figure(
        go.Scatter(
            y=chart.points, x0=first, dx=1, text=[_plain(label) for label in labels], mode="lines+markers",
            line={"color": BLUE, "width": 1}, marker={"color": colours, "symbol": symbols, "size": 7},
            hovertemplate="%{text}<br>" + hover_value("y", unit, digits=5) + "<extra></extra>",
        )
    )  # fmt: skip
    levels = ((chart.low, VERMILION), (chart.centre, BLUISH_GREEN), (chart.high, VERMILION))
    figure.update_xaxes(title_text="run", range=[first - 0.5, first + chart.points.size - 0.5], autorange=False)
    figure.update_yaxes(**value_axis(unit))
    shapes = [_across(level, colour) for level, colour in levels]
    names = zip(levels, ("lower control limit", "centre line", "upper control limit"), strict=True)
    annotations = [_line_label(text, colour, level) for (level, colour), text in names]
    figure.update_layout(height=260, showlegend=False, shapes=shapes, annotations=annotations)
    told = (
        f"{chart.points.size} points, centre line {_shown(chart.centre, unit)}, control limits "
        f"{_shown(chart.low, unit)} and {_shown(chart.high, unit)}."
    )
    out = ", ".join(str(labels[index]) for index in chart.beyond[:12])
    return Picture(
        name, title, told + (f" Outside them: {out}." if out else " All are inside them."), figure, along="run"
    )


def _shown(value: float, unit: str) -> str:
    return show_quantity(value, unit)


def _limit_label(end: float, unit: str, **place: Any) -> dict[str, Any]:
    return {"text": f"limit {_shown(end, unit)}", "showarrow": False, "font": {"size": 10, "color": VERMILION}, **place}


def _line_label(text: str, colour: str, level: float) -> dict[str, Any]:
    place = {"x": 1, "y": level, "xref": "paper", "yref": "y", "xanchor": "right", "yanchor": "bottom"}
    return {"text": text, "showarrow": False, "font": {"size": 10, "color": colour}, **place}


def _upright(x: float, colour: str) -> dict[str, Any]:
    line = {"color": colour, "width": 2}
    return {"type": "line", "x0": x, "x1": x, "y0": 0, "y1": 1, "yref": "paper", "line": line}


def _across(y: float, colour: str) -> dict[str, Any]:
    line = {"color": colour, "width": 1, "dash": "dash"}
    return {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": y, "y1": y, "line": line}


def _plain(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;")


def trend_figure(buckets: Sequence[Any], points: Sequence[Point], unit: str) -> go.Figure:
    """Single readings over time where there are points, else the mean of each interval of time."""
    import plotly.graph_objects as go

    limits = sorted(
        {end for point in points for end in (point.low, point.high) if end is not None and math.isfinite(end)}
    )
    valued = [point for point in points if point.value is not None]
    traces = [
        go.Scatter(
            x=[point.started.isoformat() for point in valued], y=[point.value for point in valued], mode="markers",
            text=[_plain(point.serial or point.outcome) for point in valued],
            marker={"color": [VERMILION if point.verdict == "fail" else BLUE for point in valued], "size": 6},
            hovertemplate="%{text}<br>" + hover_value("y", unit, digits=5) + "<extra></extra>",
        ),
        go.Scatter(
            x=[bucket.middle.isoformat() for bucket in buckets], y=[bucket.mean for bucket in buckets],
            line={"color": INK, "width": 1},
        ),
    ]  # fmt: skip
    figure = go.Figure(traces)
    figure.update_yaxes(**value_axis(unit))
    figure.update_xaxes(title_text="time, UTC", tickformatstops=DATES, hoverformat="%Y-%m-%d %H:%M:%S")
    labels = [_line_label(f"limit {_shown(end, unit)}", VERMILION, end) for end in limits]
    shapes = [_across(end, VERMILION) for end in limits]
    figure.update_layout(height=380, showlegend=False, shapes=shapes, annotations=labels)
    return figure
