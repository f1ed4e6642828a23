"""A picture in the terminal: dots for what was measured, lines for limits and levels, each with its name beside it.

Every column spans from the lowest to the highest sample in it, so that no single sample is lost.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from wavewright.reporting.drawing.canvas import PLAIN, SIGNS, UPWARDS, Canvas, rows_of
from wavewright.reporting.drawing.labels import SHARE, LabelAside, labels_above, labels_aside, shortened
from wavewright.reporting.drawing.scale import AxisScale
from wavewright.reporting.drawing.ticks import ticks_of
from wavewright.reporting.drawing.trace_columns import drawn_columns, in_spread
from wavewright.reporting.layers import BandLayer, BarsLayer, CurveLayer, DensityLayer, Layer, PointsLayer, TraceLayer
from wavewright.reporting.marks import (
    FrameMark,
    InstantMark,
    LevelMark,
    Mark,
    MarkRole,
    OutlineMark,
    PlaceMark,
    PolygonMark,
    SpanMark,
    ZoneMark,
)
from wavewright.reporting.picture import Panel, Picture

LETTER = 1 / SHARE  # size of letters of which each is as wide as a column
TALL, SHORT = 10, 6  # rows of a plot; of one among several
LEAST = 24  # columns of a plot
NAMES = 0.3  # of the width, at most, for the names at the right
LEVEL_SIGNS = {MarkRole.LIMIT: "─", MarkRole.CENTRE: "─"}


def terminal_picture(picture: Picture, *, width: int, encoding: str = "utf-8") -> Iterator[str]:
    """The lines of a picture; none is wider than the window.

    Parameters
    ----------
    width : of the window, in columns.
    encoding : of the console; one that lacks the signs gets plain ASCII.
    """
    is_plain = not _can_show(SIGNS, encoding)
    yield _as(picture.title, is_plain)
    height = TALL if len(picture.panels) < 3 else SHORT
    upright = [ticks_of(panel.axis, most=max(2, height // 3)) for panel in picture.panels]
    left = 1 + max((len(label) for ticks in upright for label in ticks.labels), default=0)
    most = int(NAMES * width)
    names = max((len(one.text) + 1 for panel in picture.panels for one in _aside(panel, height)), default=0)
    across = max(LEAST, width - left - 1 - min(names, most))
    for panel, ticks in zip(picture.panels, upright, strict=True):
        yield f"{'':{left}}{shortened(ticks.title, width - left, LETTER)}"
        room = width - left - across
        for line in _drawn(panel, picture, left=left, across=across, height=height, room=room, is_plain=is_plain):
            yield _as(line, is_plain).rstrip()
    yield from (_as(line, is_plain) for line in _time_axis(picture, left, across))


def _drawn(
    panel: Panel, picture: Picture, *, left: int, across: int, height: int, room: int, is_plain: bool
) -> Iterator[str]:
    x = AxisScale.of(picture.axis, 0.0, across - 1.0)
    y = _rows(panel, height)
    placed, left_out = labels_above(panel.marks, x, size=LETTER)
    for lane in reversed(range(1 + max((one.lane for one in placed), default=-1))):
        line = [" "] * across
        for one in placed:
            if one.lane == lane:
                begin = round(one.left)
                line[begin : begin + len(one.text)] = one.text[: across - begin]
        yield f"{'':{left}}{''.join(line[:across])}"
    if placed:
        line = [" "] * across
        for one in placed:
            line[min(round(one.at), across - 1)] = "▾"
        yield f"{'':{left}}{''.join(line)}{f' and {left_out} more' if left_out else ''}"
    if any(isinstance(mark, FrameMark) for mark in panel.marks):
        yield f"{'':{left}}{_strip(panel, x, across)}"
    canvas = Canvas(across, height)
    for mark in panel.marks:
        _mark(mark, canvas, x, y)
    for layer in panel.layers:
        _layer(layer, canvas, x, rows_of(y, height))
    labels = {round(y.place(value)): label for value, label in zip(*_ticks(panel, height), strict=True)}
    beside = {round(one.y): one.text for one in _aside(panel, height)}
    for row, drawn in enumerate(canvas.lines(is_plain=is_plain)):
        name = beside.get(row, "")
        shown = f" {shortened(name, room - 1, LETTER)}" if name else ""
        yield f"{labels.get(row, ''):>{left - 1}} {drawn}{shown}"


def _ticks(panel: Panel, height: int) -> tuple[tuple[float, ...], tuple[str, ...]]:
    ticks = ticks_of(panel.axis, most=max(2, height // 3))
    return ticks.places, ticks.labels


def _aside(panel: Panel, height: int) -> list[LabelAside]:
    return labels_aside(panel, _rows(panel, height), spacing=1.0)


def _rows(panel: Panel, height: int) -> AxisScale:
    """The vertical axis in rows from the top; rounded, a place is in the row that has its dot."""
    beyond = 0.5 - 0.5 / UPWARDS
    return AxisScale.of(panel.axis, height - 1 + beyond, -beyond)


def _layer(layer: Layer, canvas: Canvas, x: AxisScale, y: AxisScale) -> None:
    """Dots of a layer; `x` is in characters, `y` in rows of dots."""
    columns = canvas.dot_columns
    fine = AxisScale(x.low, x.high, 0.0, columns - 1.0, x.is_log)
    match layer:
        case TraceLayer():
            found = drawn_columns(layer, x, columns)
            lows, middles, highs = (y.places(line) for line in (found.lows, found.means, found.highs))
            is_spread = in_spread(highs - lows, least=2.0 * UPWARDS)
            for column in range(columns):
                if is_spread[column]:
                    canvas.shade(column, lows[column], middles[column], highs[column])
                else:
                    canvas.fill(column, lows[column], highs[column])
        case CurveLayer() if not layer.is_on_right:
            canvas.line(fine.places(layer.x), y.places(layer.y))
            lows, highs = (layer.y if line is None else line for line in (layer.lows, layer.highs))
            for at, low, high in zip(fine.places(layer.x), y.places(lows), y.places(highs), strict=True):
                if np.isfinite(at) and 0 <= round(at) < columns:
                    canvas.fill(round(at), low, high)
        case PointsLayer():
            if layer.is_joined:
                canvas.line(fine.places(layer.x), y.places(layer.y))
            failed = set(layer.failed)
            order = sorted(
                range(len(layer.x)), key=lambda number: number in failed
            )  # those that failed over the others
            for number in order:
                row = canvas.height - 1 + 0.5 - (y.place(float(layer.y[number])) + 0.5) / UPWARDS
                canvas.put(x.place(float(layer.x[number])), row, "×" if number in failed else "•")
        case BarsLayer():
            edges = fine.places(layer.edges)
            for first, last, height in zip(edges[:-1], edges[1:], layer.heights, strict=True):
                for column in range(max(0, round(first)), min(columns, max(round(last), round(first) + 1))):
                    if height > 0:
                        canvas.fill(column, y.place(0.0), y.place(float(height)))
        case BandLayer():
            for ends in (layer.lows, layer.highs):
                canvas.line(fine.places(layer.x), y.places(ends))
        case DensityLayer():
            _density(layer, canvas, fine, y)


def _density(layer: DensityLayer, canvas: Canvas, x: AxisScale, y: AxisScale) -> None:
    """A dot wherever any sample went, in any of the columns of the grid that a column of dots stands for."""
    rows, columns = layer.counts.shape
    edges = x.places(np.linspace(*layer.across, columns + 1))
    lows = y.places(np.linspace(*layer.upwards, rows + 1))
    for dots in range(canvas.dot_columns):
        first = int(np.searchsorted(edges, dots - 0.5, side="right")) - 1
        last = int(np.searchsorted(edges, dots + 0.5, side="left"))
        within = layer.counts[:, max(first, 0) : max(last, 0)]
        for row in np.flatnonzero(within.any(axis=1)):
            canvas.fill(dots, lows[row], max(lows[row + 1] - 1, lows[row]))


def _mark(mark: Mark, canvas: Canvas, x: AxisScale, y: AxisScale) -> None:
    """Lines and signs of a mark; both scales are in characters."""
    match mark:
        case LevelMark():
            canvas.across(round(y.place(mark.value)), LEVEL_SIGNS.get(mark.role, "┄"))
        case ZoneMark():
            for end in (mark.low, mark.high):
                canvas.across(round(y.place(end)), "┄")
        case InstantMark():
            canvas.upright(round(x.place(mark.at)), "│" if mark.role is MarkRole.LIMIT else "┊")
        case SpanMark():
            for end in (mark.first, mark.last):
                canvas.upright(round(x.place(end)), "┊")
        case PlaceMark():
            if mark.value is not None:
                canvas.put(x.place(mark.at), y.place(mark.value), "◆")
        case OutlineMark():
            for time, low, high in zip(mark.times, mark.lows, mark.highs, strict=True):
                canvas.put(x.place(float(time)), y.place((float(low) + float(high)) / 2), "◆")
        case PolygonMark():
            corners = [*mark.corners, mark.corners[0]] if mark.corners else []
            xs, ys = (np.array([corner[side] for corner in corners]) for side in (0, 1))
            fine = AxisScale(x.low, x.high, 0.0, canvas.dot_columns - 1.0, x.is_log)
            canvas.line(fine.places(xs), rows_of(y, canvas.height).places(ys))


def _strip(panel: Panel, x: AxisScale, across: int) -> str:
    """The decoded frames; a damaged one begins with `!`."""
    line = [" "] * across
    for mark in panel.marks:
        if not isinstance(mark, FrameMark) or mark.last < x.low or mark.first > x.high:
            continue
        first, last = (min(max(round(x.place(end)), 0), across - 1) for end in (mark.first, mark.last))
        room = last - first - 1
        text = f"{'!' if mark.is_bad else ''}{mark.text}"
        shown = f"[{shortened(text, room, LETTER):{max(room, 0)}}]" if room > 0 else "!" if mark.is_bad else "["
        line[first : first + len(shown)] = shown
    return "".join(line[:across])


def _time_axis(picture: Picture, left: int, across: int) -> Iterator[str]:
    """Ticks below the lowest plot, and the title of the axis."""
    x = AxisScale.of(picture.axis, 0.0, across - 1.0)
    ticks = ticks_of(picture.axis, most=max(2, across // (20 if picture.axis.is_clock else 12)))
    lines = 1 + max((label.count("\n") for label in ticks.labels), default=0)
    ruler = ["─"] * across
    texts = [[" "] * (across + 8) for _ in range(lines)]
    ends = [0] * lines
    for value, label in zip(ticks.places, ticks.labels, strict=True):
        column = min(max(round(x.place(value)), 0), across - 1)
        ruler[column] = "┬"
        for number, text in enumerate(label.split("\n")):
            begin = max(0, min(column - len(text) // 2, across + 1 - len(text)))
            if begin >= ends[number]:
                texts[number][begin : begin + len(text)] = text
                ends[number] = begin + len(text) + 1
    yield f"{'':{left}}{''.join(ruler)}"
    yield from (f"{'':{left}}{''.join(line)}".rstrip() for line in texts)
    if ticks.title:
        yield f"{'':{left}}{ticks.title:^{across}}".rstrip()


def _can_show(signs: str, encoding: str) -> bool:
    try:
        signs.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _as(text: str, is_plain: bool) -> str:
    return text.translate(PLAIN) if is_plain else text
