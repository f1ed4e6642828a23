"""A trend as a page of its own."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

from wavewright.durable_files import write_whole
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.queries import Point, Trend
from wavewright.quantities import show_quantity
from wavewright.reporting.chart_pictures import trend_figure
from wavewright.reporting.html import render
from wavewright.reporting.picture import Picture


def write_trend_page(trend: Trend, points: Sequence[Point], path: Path) -> None:
    """Write the picture of a trend into an HTML file.

    Parameters
    ----------
    points : single readings, drawn where there are; the newest ones of the trend.

    Raises
    ------
    Misuse : a file extension that is not HTML's, or a trend without readings.
    StorageFault : the file cannot be written.
    """
    if path.suffix.lower() not in (".html", ".htm"):
        raise Misuse(f"file extension `{path.suffix}` of {path}", expected=".html")
    if not trend.buckets:
        raise Misuse(f"no readings of `{trend.name}`", do="widen the filter")
    figure = trend_figure(trend.buckets, points, trend.unit)
    first = min([trend.buckets[0].middle, *(point.started for point in points[:1])])
    last = max([trend.buckets[-1].middle, *(point.started for point in points[-1:])])
    room = max((last - first) / 50, timedelta(seconds=1))  # else the frame cuts the first and the last point
    figure.update_xaxes(range=[(first - room).isoformat(), (last + room).isoformat()])
    low, high = min(one.minimum for one in trend.buckets), max(one.maximum for one in trend.buckets)
    told = f"{trend.count} readings from {show_quantity(low, trend.unit)} to {show_quantity(high, trend.unit)}."
    picture = Picture("trend", f"{trend.name} over time", told, figure)
    page = render("picture.html.j2", title=f"Trend of {trend.name}", picture=picture, has_pictures=True)
    try:
        write_whole(path, page)
    except OSError as fault:
        raise StorageFault(f"the picture cannot be written: {fault.strerror or fault}", where=str(path)) from fault
