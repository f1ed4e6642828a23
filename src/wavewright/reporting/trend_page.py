"""A trend as a page of its own."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from wavewright.durable_files import write_whole
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.queries import Point, Trend
from wavewright.reporting.chart_pictures import trend_picture
from wavewright.reporting.html import render
from wavewright.reporting.trend_text import told_trend

MOST_LISTED = 1000  # readings in the table; the picture has them all


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
    picture = trend_picture(trend, points, told=told_trend(trend))
    page = render(
        "trend.html.j2", title=f"Trend of {trend.name}", picture=picture, has_pictures=True, unit=trend.unit,
        points=points[-MOST_LISTED:], left_out=max(0, len(points) - MOST_LISTED),
    )  # fmt: skip
    try:
        write_whole(path, page)
    except OSError as fault:
        raise StorageFault(f"the picture cannot be written: {fault.strerror or fault}", where=str(path)) from fault
