"""A trend drawn with characters: the mean of each stretch of time, between its lowest and its highest reading."""

from __future__ import annotations

from collections.abc import Iterator

from wavewright.logbook.queries import Trend
from wavewright.quantities import show_quantity

HEIGHT = 12


def trend_lines(trend: Trend, *, height: int = HEIGHT) -> Iterator[str]:
    """The lines of the drawing: `•` is a mean, `│` the span of the readings, `×` a stretch in which some failed."""
    if not trend.buckets:
        yield f"{trend.name}: no readings"
        return
    low = min(bucket.minimum for bucket in trend.buckets)
    high = max(bucket.maximum for bucket in trend.buckets)
    span = (high - low) or max(abs(high), 1.0) * 1e-6

    def row(value: float) -> int:
        return min(height - 1, int((value - low) / span * height))

    canvas = [[" "] * len(trend.buckets) for _ in range(height)]
    for column, bucket in enumerate(trend.buckets):
        for level in range(row(bucket.minimum), row(bucket.maximum) + 1):
            canvas[level][column] = "│"
        canvas[row(bucket.mean)][column] = "×" if bucket.failed else "•"
    failed = sum(bucket.failed for bucket in trend.buckets)
    yield f"{trend.name}: {trend.count} readings, {failed} failed"
    ends = {height - 1: show_quantity(high, trend.unit), 0: show_quantity(low, trend.unit)}
    width = max(len(text) for text in ends.values())
    for level in reversed(range(height)):
        yield f"{ends.get(level, ''):>{width}} ┤{''.join(canvas[level])}"
    first, last = (f"{bucket.started:%Y-%m-%d %H:%M}" for bucket in (trend.buckets[0], trend.buckets[-1]))
    yield f"{'':>{width}} └{first} … {last} UTC"
