"""A picture as SVG: a document by itself, with text as text and a description for those who do not see it."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from html import escape
from itertools import pairwise

from wavewright.reporting.drawing.labels import labels_above, labels_aside, shortened, text_width
from wavewright.reporting.drawing.look import FAINT, FRAME, GRID, GROUND, INK, ROLES, STRIP, readable
from wavewright.reporting.drawing.plot_area import PlotArea
from wavewright.reporting.drawing.scale import AxisScale
from wavewright.reporting.drawing.svg_layers import svg_layer
from wavewright.reporting.drawing.svg_marks import marks_above, marks_below
from wavewright.reporting.drawing.ticks import Ticks, ticks_of
from wavewright.reporting.layers import TraceLayer
from wavewright.reporting.marks import FrameMark, MarkRole
from wavewright.reporting.picture import Panel, Picture

WIDTH = 860.0
EDGE, SIZE, LINE, LANE, STRIP_HEIGHT = 14.0, 11.0, 14.0, 13.0, 16.0
TITLE = 13.0  # size of its letters
TICK = 4.0
LEAST_ASIDE, MOST_ASIDE = 14.0, 0.3  # the column at the right: units at least, share of the width at most
FONTS = "'Source Sans Pro', 'Source Sans 3', 'Noto Sans', 'Liberation Sans', Arial, sans-serif"


def svg_picture(
    pictures: Sequence[Picture], *, title: str = "", lines: Sequence[str] = (), width: float = WIDTH
) -> str:
    """One document of some pictures, one below the other.

    Parameters
    ----------
    title : of the document; that of the only picture if it is empty.
    lines : of text below the title.
    width : of the document; its height follows.
    """
    title = title or " · ".join(picture.title for picture in pictures)
    described = " ".join([*lines, *(f"{picture.title}: {picture.description}" for picture in pictures)])
    drawn_from = b"".join([f"{title} {described} {width}".encode(), *(picture.samples() for picture in pictures)])
    name = f"p{zlib.crc32(drawn_from):08x}"  # several may be in one page
    parts: list[str] = []
    y = EDGE + TITLE
    parts.append(_text(EDGE, y, shortened(title, width - 2 * EDGE, TITLE), f'font-size="{TITLE:g}" font-weight="bold"'))
    for line in lines:
        y += LINE
        parts.append(_text(EDGE, y, shortened(line, width - 2 * EDGE, SIZE)))
    for number, picture in enumerate(pictures):
        y += LINE
        if len(pictures) > 1 or picture.title != title:
            y += LINE if number else 0.0
            parts.append(_text(EDGE, y + 3, picture.title, 'font-weight="bold"'))
            y += 4.0
        drawn, y = _drawn(picture, y, width, name)
        parts += drawn
    height = y + EDGE
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:.0f}" width="{width:g}" '
        f'height="{height:.0f}" role="img" aria-labelledby="{name}-title {name}-told" font-family="{FONTS}" '
        f'font-size="{SIZE:g}" fill="{INK}">'
    )
    named = f'<title id="{name}-title">{escape(title)}</title>\n<desc id="{name}-told">{escape(described)}</desc>'
    ground = f'<rect width="{width:g}" height="{height:.0f}" fill="{GROUND}"/>'
    return "\n".join([head, named, ground, *filter(None, parts), "</svg>", ""])


def _drawn(picture: Picture, top: float, width: float, name: str) -> tuple[list[str], float]:
    """The panels of a picture, and where the drawing ends."""
    upright = [ticks_of(panel.axis, most=max(2, round(_height(panel) / 34))) for panel in picture.panels]
    rights = [ticks_of(panel.right, most=5) if panel.right else None for panel in picture.panels]
    left = EDGE + LINE + TICK + 4 + max(_widest(ticks.labels) for ticks in upright)
    aside = max(_aside_width(panel, ticks, width) for panel, ticks in zip(picture.panels, rights, strict=True))
    across = width - left - aside
    parts: list[str] = []
    plot = None
    for panel, ticks, right in zip(picture.panels, upright, rights, strict=True):
        x = AxisScale.of(picture.axis, left, left + across)
        placed, left_out = labels_above(panel.marks, x, size=SIZE)
        lanes = 1 + max((one.lane for one in placed), default=-1)
        has_strip = any(isinstance(mark, FrameMark) for mark in panel.marks)
        top += lanes * LANE + (STRIP_HEIGHT if has_strip else 0.0) + 8
        height = _height(panel)
        y = AxisScale.of(panel.axis, top + height, top)
        second = AxisScale.of(panel.right, top + height, top) if panel.right else y
        plot = PlotArea(left, top, across, height, x, y, second)
        clip = f"{name}-{round(top)}"
        below = ticks_of(picture.axis, most=_most_across(across, picture))
        parts.append(f'<clipPath id="{clip}"><rect x="{left:.1f}" y="{top:.1f}" width="{across:.1f}" '
                     f'height="{height:.1f}"/></clipPath>')  # fmt: skip
        parts += _grid(plot, ticks, below)
        parts.append(f'<g clip-path="url(#{clip})">')
        parts += marks_below(panel.marks, plot)
        for layer in panel.layers:
            parts += svg_layer(layer, plot)
        parts += marks_above(panel.marks, plot)
        parts.append("</g>")
        parts += _frame(panel, plot, ticks, right)
        floor = top - (STRIP_HEIGHT if has_strip else 2.0)
        for one in placed:
            base = floor - one.lane * LANE - 3
            parts.append(f'<path d="M{one.at:.1f} {base + 2:.1f}V{top:.1f}" stroke="{one.colour}" stroke-width="0.7"/>')
            parts.append(_text(one.left + 2, base, one.text, f'fill="{one.colour}"'))
        if left_out:
            parts.append(_text(plot.end, plot.bottom - 5, f"and {left_out} more", f'text-anchor="end" fill="{FAINT}"'))
        parts += _aside(panel, plot, aside)
        if has_strip:
            parts += _strip(panel, plot)
        top += height
    if plot is None:
        return parts, top
    return parts + list(_time_axis(picture, plot)), top + TICK + 2 * LINE + LINE * _extra_lines(picture, across)


def _height(panel: Panel) -> float:
    return float(panel.height)


def _most_across(across: float, picture: Picture) -> int:
    return max(2, round(across / (110 if picture.axis.is_clock else 80)))


def _extra_lines(picture: Picture, across: float) -> int:
    labels = ticks_of(picture.axis, most=_most_across(across, picture)).labels
    return max((label.count("\n") for label in labels), default=0)


def _grid(plot: PlotArea, upright: Ticks, across: Ticks) -> Iterator[str]:
    lines = "".join(f"M{plot.left:.1f} {plot.y.place(value):.1f}h{plot.width:.1f}" for value in upright.places)
    lines += "".join(f"M{plot.x.place(value):.1f} {plot.top:.1f}v{plot.height:.1f}" for value in across.places)
    yield f'<path d="{lines}" fill="none" stroke="{GRID}" stroke-width="0.8"/>'


def _frame(panel: Panel, plot: PlotArea, ticks: Ticks, right: Ticks | None) -> Iterator[str]:
    """The frame of a plot with its vertical axis, whose title is in the colour of its only trace."""
    yield (
        f'<rect x="{plot.left:.1f}" y="{plot.top:.1f}" width="{plot.width:.1f}" height="{plot.height:.1f}" '
        f'fill="none" stroke="{FRAME}"/>'
    )
    for value, label in zip(ticks.places, ticks.labels, strict=True):
        y = plot.y.place(value)
        yield f'<path d="M{plot.left:.1f} {y:.1f}h-{TICK:g}" stroke="{FRAME}"/>'
        yield _text(plot.left - TICK - 3, y + 0.35 * SIZE, label, 'text-anchor="end"')
    traces = [layer for layer in panel.layers if isinstance(layer, TraceLayer)]
    colour = readable(traces[0].colour) if len(traces) == 1 else INK
    yield _upright_text(EDGE + SIZE - 2, plot.top + plot.height / 2, shortened(ticks.title, plot.height, SIZE), colour)
    if right is None:
        return
    for value, label in zip(right.places, right.labels, strict=True):
        y = plot.right.place(value)
        yield f'<path d="M{plot.end:.1f} {y:.1f}h{TICK:g}" stroke="{FRAME}"/>'
        yield _text(plot.end + TICK + 3, y + 0.35 * SIZE, label)
    yield _upright_text(
        plot.end + TICK + 8 + _widest(right.labels) + SIZE, plot.top + plot.height / 2, right.title, INK
    )


def _time_axis(picture: Picture, plot: PlotArea) -> Iterator[str]:
    ticks = ticks_of(picture.axis, most=_most_across(plot.width, picture))
    names = _fitting(ticks, plot) if picture.axis.names else ticks.labels
    for value, label in zip(ticks.places, names, strict=True):
        x = plot.x.place(value)
        yield f'<path d="M{x:.1f} {plot.bottom:.1f}v{TICK:g}" stroke="{FRAME}"/>'
        for number, line in enumerate(label.split("\n")):
            yield _text(x, plot.bottom + TICK + LINE * (number + 0.8), line, 'text-anchor="middle"')
    base = plot.bottom + TICK + LINE * (1.9 + _extra_lines(picture, plot.width))
    yield _text(plot.left + plot.width / 2, base, ticks.title, 'text-anchor="middle"')


def _fitting(ticks: Ticks, plot: PlotArea) -> list[str]:
    """Names below bars, cut to the room that each has."""
    places = [plot.x.place(value) for value in ticks.places]
    room = min((after - before for before, after in pairwise(places)), default=plot.width)
    return [shortened(label, room - 4, SIZE) for label in ticks.labels]


def _aside(panel: Panel, plot: PlotArea, room: float) -> Iterator[str]:
    for one in labels_aside(panel, plot.y, spacing=LANE):
        yield (
            f'<path d="M{plot.end:.1f} {one.at:.1f}L{plot.end + 7:.1f} {one.y:.1f}" fill="none" '
            f'stroke="{one.colour}" stroke-width="0.8"/>'
        )
        text = shortened(one.text, room - 12, SIZE)
        yield _text(plot.end + 9, one.y + 0.35 * SIZE, text, f'fill="{one.colour}"')


def _aside_width(panel: Panel, right: Ticks | None, width: float) -> float:
    scale = AxisScale.of(panel.axis, _height(panel), 0.0)
    found = labels_aside(panel, scale, spacing=LANE)
    wanted = max((text_width(one.text, SIZE) + 14 for one in found), default=LEAST_ASIDE)
    if right is not None:
        wanted = max(wanted, TICK + 12 + _widest(right.labels) + 2 * SIZE)
    return max(LEAST_ASIDE, min(wanted, MOST_ASIDE * width))


def _strip(panel: Panel, plot: PlotArea) -> Iterator[str]:
    """The decoded frames, each with what it says where there is room for it."""
    top, high = plot.top - STRIP_HEIGHT + 1, STRIP_HEIGHT - 3
    for mark in panel.marks:
        if not isinstance(mark, FrameMark) or mark.last < plot.x.low or mark.first > plot.x.high:
            continue
        left, right = (min(max(plot.x.place(end), plot.left), plot.end) for end in (mark.first, mark.last))
        colour = ROLES[MarkRole.FAILED] if mark.is_bad else INK
        yield (
            f'<rect x="{left:.1f}" y="{top:.1f}" width="{max(right - left, 1.0):.1f}" height="{high:.1f}" '
            f'fill="{STRIP}" stroke="{colour if mark.is_bad else FRAME}"><title>{escape(mark.text)}</title></rect>'
        )
        if text := shortened(mark.text, right - left - 4, SIZE):
            yield _text(left + 3, top + 0.78 * high, text, f'fill="{colour}"')


def _widest(labels: Sequence[str]) -> float:
    return max((text_width(line, SIZE) for label in labels for line in label.split("\n")), default=0.0)


def _text(left: float, base: float, text: str, look: str = "") -> str:
    return f'<text x="{left:.1f}" y="{base:.1f}"{" " if look else ""}{look}>{escape(text)}</text>' if text else ""


def _upright_text(x: float, y: float, text: str, colour: str) -> str:
    return (
        f'<text transform="translate({x:.1f} {y:.1f}) rotate(-90)" text-anchor="middle" fill="{colour}">'
        f"{escape(text)}</text>"
    )
