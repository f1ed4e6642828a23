"""A trend in the terminal: single readings and the mean over time, with the limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wavewright.logbook.queries import Point, Trend
from wavewright.quantities import show_quantity
from wavewright.reporting.chart_pictures import trend_picture
from wavewright.reporting.drawing.terminal_picture import terminal_picture
from wavewright.reporting.logged_reading import shown_point

MOST_NAMED = 12


def trend_lines(trend: Trend, points: Sequence[Point], *, width: int, encoding: str = "utf-8") -> Iterator[str]:
    """How many readings there are, then the drawing, then the runs whose reading failed.

    Parameters
    ----------
    points : single readings: `•`, or `×` where one failed; the newest ones of the trend.
    width : of the window, in columns.
    """
    if not trend.buckets:
        yield f"{trend.name}: no readings"
        return
    failed = sum(bucket.failed for bucket in trend.buckets)
    yield f"{trend.name}: {trend.count} readings, {failed} failed"
    yield from terminal_picture(trend_picture(trend, points, told=told_trend(trend)), width=width, encoding=encoding)
    listed = [point for point in points if point.verdict == "fail"]
    for point in listed[-MOST_NAMED:]:
        unit = f"{point.serial}, " if point.serial else ""
        value = shown_point(point, trend.unit)
        yield f"failed: {unit}{point.started:%Y-%m-%d %H:%M} UTC, {value}, run {point.outcome}"
    if len(listed) > MOST_NAMED:
        yield f"and {len(listed) - MOST_NAMED} earlier ones"


def told_trend(trend: Trend) -> str:
    """The trend in a sentence."""
    low, high = min(one.minimum for one in trend.buckets), max(one.maximum for one in trend.buckets)
    ends = " to ".join(show_quantity(end, trend.unit) for end in (low, high))
    first, last = (f"{bucket.middle:%Y-%m-%d %H:%M}" for bucket in (trend.buckets[0], trend.buckets[-1]))
    return f"{trend.count} readings from {ends}, {first} to {last} UTC."
