"""Marks of a panel as elements of SVG, without their labels."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from wavewright.reporting.drawing.look import DASHES, ROLES
from wavewright.reporting.drawing.plot_area import PlotArea
from wavewright.reporting.marks import (
    InstantMark,
    LevelMark,
    Mark,
    MarkRole,
    OutlineMark,
    PlaceMark,
    PolygonMark,
    ReachMark,
    SpanMark,
    ZoneMark,
)

TICK = 9.0  # units
LEAST = 1.5  # units: what is narrower is drawn so wide
PAD = 4.0


def marks_below(marks: tuple[Mark, ...], plot: PlotArea) -> Iterator[str]:
    """Areas, which a trace may go over."""
    for mark in marks:
        match mark:
            case SpanMark():
                first, last = plot.x.place(mark.first), plot.x.place(mark.last)
                share = 0.22 if mark.role is MarkRole.FAILED else 0.13
                look = f'fill="{ROLES[mark.role]}" fill-opacity="{share}"'
                yield _box(first, plot.top, max(last - first, 1.0), plot.height, look)
            case ZoneMark():
                high, low = plot.y.place(mark.high), plot.y.place(mark.low)
                look = f'fill="{ROLES[mark.role]}" fill-opacity="0.2"'
                yield _box(plot.left, high, plot.width, max(low - high, 1.0), look)
            case PolygonMark():
                corners = " ".join(f"{plot.x.place(x):.1f},{plot.y.place(y):.1f}" for x, y in mark.corners)
                colour = ROLES[mark.role]
                yield f'<polygon points="{corners}" fill="{colour}" fill-opacity="0.22" stroke="{colour}"/>'


def marks_above(marks: tuple[Mark, ...], plot: PlotArea) -> Iterator[str]:
    """Lines, brackets and outlines, which go over a trace."""
    for mark in marks:
        colour = "" if not hasattr(mark, "role") else f'stroke="{ROLES[mark.role]}"'
        match mark:
            case LevelMark():
                yield _across(plot.y.place(mark.value), plot, f'{colour} stroke-width="1.3"', DASHES.get(mark.role, ""))
            case ZoneMark():
                for end in (mark.low, mark.high):
                    yield _across(plot.y.place(end), plot, colour, "2 2")
            case InstantMark():
                yield _upright(plot.x.place(mark.at), plot, f'{colour} stroke-width="1.3"', DASHES.get(mark.role, ""))
            case SpanMark():
                yield from _span(mark, plot, colour)
            case ReachMark():
                yield from _reach(mark, plot, colour)
            case PlaceMark():
                if mark.value is None:
                    yield _upright(plot.x.place(mark.at), plot, colour, "")
                else:
                    x, y = plot.x.place(mark.at), plot.y.place(mark.value)
                    yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="none" {colour} stroke-width="1.8"/>'
            case OutlineMark():
                yield from _outline(mark, plot)


def _span(mark: SpanMark, plot: PlotArea, colour: str) -> Iterator[str]:
    first, last = plot.x.place(mark.first), plot.x.place(mark.last)
    for end in (first, last) if mark.last > mark.first else (first,):
        # one of many: at the edges of the plot alone, so that it hides nothing
        yield _upright(end, plot, colour, "" if mark.label else f"{TICK} {plot.height - 2 * TICK:.1f} {TICK}")
    if mark.spread > 0:
        ends, y = [plot.x.place(mark.last + sign * mark.spread) for sign in (-1, 1)], plot.bottom - 6
        yield f'<path d="M{ends[0]:.1f} {y - 4:.1f}v8m0 -4H{ends[1]:.1f}m0 -4v8" fill="none" {colour}/>'


def _reach(mark: ReachMark, plot: PlotArea, colour: str) -> Iterator[str]:
    low, high, x = plot.y.place(mark.low), plot.y.place(mark.high), plot.end - 9
    yield (f'<path d="M{x - 4:.1f} {low:.1f}h8m-4 0V{high:.1f}m-4 0h8" fill="none" {colour} stroke-width="1.6"/>')


def _outline(mark: OutlineMark, plot: PlotArea) -> Iterator[str]:
    """The path itself, at least a unit and a half wide, and a frame around each of its stretches."""
    colour, boxes = ROLES[mark.role], _boxes(mark, plot)
    frames: list[list[float]] = []
    for left, top, right, bottom in boxes:
        if mark.is_filled:
            yield _box(left, top, right - left, bottom - top, f'fill="{colour}"')
        if frames and left - frames[-1][2] < 4 * PAD:  # frames that would meet are one
            frames[-1] = [frames[-1][0], min(frames[-1][1], top), max(frames[-1][2], right), max(frames[-1][3], bottom)]
        else:
            frames.append([left, top, right, bottom])
    for left, top, right, bottom in frames:
        look = f'fill="none" stroke="{colour}" stroke-width="1.4"'
        yield _box(left - PAD, top - PAD, right - left + 2 * PAD, bottom - top + 2 * PAD, look)


def _boxes(mark: OutlineMark, plot: PlotArea) -> list[tuple[float, float, float, float]]:
    found = []
    for time, low, high in zip(mark.times, mark.lows, mark.highs, strict=True):
        left, top = plot.x.place(float(time)), plot.y.place(float(high))
        right = max(left + LEAST, plot.x.place(float(time) + mark.step))
        bottom = max(top + LEAST, plot.y.place(float(low)))
        if np.isfinite([left, top, right, bottom]).all():
            found.append((left, top, right, bottom))
    return found


def _box(left: float, top: float, width: float, height: float, look: str) -> str:
    return f'<rect x="{left:.1f}" y="{top:.1f}" width="{width:.1f}" height="{height:.1f}" {look}/>'


def _upright(x: float, plot: PlotArea, look: str, dashes: str) -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path d="M{x:.1f} {plot.top:.1f}v{plot.height:.1f}" {look}{dashed}/>'


def _across(y: float, plot: PlotArea, look: str, dashes: str) -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path d="M{plot.left:.1f} {y:.1f}h{plot.width:.1f}" {look}{dashed}/>'
