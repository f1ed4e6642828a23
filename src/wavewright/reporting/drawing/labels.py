"""Where labels of marks stand: those of times in lanes above the plot, those of levels in a column at its right.

None is ever over a trace or over another one; what has no room above is counted, and the description has it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from wavewright.reporting.drawing.look import ROLES, readable
from wavewright.reporting.drawing.scale import AxisScale
from wavewright.reporting.layers import CurveLayer, TraceLayer
from wavewright.reporting.marks import (
    InstantMark,
    LevelMark,
    Mark,
    OutlineMark,
    PlaceMark,
    PolygonMark,
    ReachMark,
    SpanMark,
    ZoneMark,
)
from wavewright.reporting.picture import Panel

MOST_LANES = 5
SHARE = 0.52  # of the size of the letters: the width of one on average, rather too much than too little
GAP = 10.0


def text_width(text: str, size: float) -> float:
    """How wide a text may become; fonts differ, so it is rather too wide."""
    return len(text) * SHARE * size


def shortened(text: str, room: float, size: float) -> str:
    """A text that fits, with an ellipsis where it was cut; empty where nothing fits."""
    most = int(room / (SHARE * size))
    if len(text) <= most:
        return text
    return f"{text[: most - 1]}…" if most > 2 else ""


@dataclass(frozen=True, slots=True)
class LabelAbove:
    """A label above the plot: `left` is where it begins, `at` the mark that it belongs to, `lane` 0 the lowest."""

    text: str
    left: float
    at: float
    lane: int
    colour: str


@dataclass(frozen=True, slots=True)
class LabelAside:
    """A label at the right of the plot: `y` is its middle, `at` the level that it belongs to."""

    text: str
    y: float
    at: float
    colour: str


def labels_above(marks: Sequence[Mark], x: AxisScale, *, size: float) -> tuple[list[LabelAbove], int]:
    """The labels that have room, and how many have none."""
    placed: list[LabelAbove] = []
    ends: list[float] = []
    left_out = 0
    width = x.last - x.first
    for first, last, text, colour in sorted(_of_times(marks)):
        begin, end = x.place(first), x.place(last)
        if end < x.first - 1 or begin > x.last + 1:
            continue
        at = min(max(begin, x.first), x.last)
        short = shortened(text, min(width - 4, 420), size)
        left = max(x.first, min(at, x.last - text_width(short, size)))
        lane = next((number for number, taken in enumerate(ends) if taken <= left), len(ends))
        if lane >= MOST_LANES:
            left_out += 1
            continue
        if lane == len(ends):
            ends.append(0.0)
        ends[lane] = left + text_width(short, size) + GAP
        placed.append(LabelAbove(short, left, at, lane, colour))
    return placed, left_out


def labels_aside(panel: Panel, y: AxisScale, *, spacing: float) -> list[LabelAside]:
    """The labels of levels and, of several lines, their names; each as near to its level as the others let it."""
    top, bottom = sorted((y.first, y.last))
    found = sorted(
        (place, text, colour) for value, text, colour in _of_levels(panel)
        if top - 1 <= (place := y.place(value)) <= bottom + 1
    )  # fmt: skip
    middles = [place for place, _, _ in found]
    for number in range(1, len(middles)):
        middles[number] = max(middles[number], middles[number - 1] + spacing)
    most = bottom
    for number in reversed(range(len(middles))):
        middles[number] = min(middles[number], most)
        most = middles[number] - spacing
    return [LabelAside(text, middle, at, colour) for (at, text, colour), middle in zip(found, middles, strict=True)]


def _of_times(marks: Sequence[Mark]) -> Iterator[tuple[float, float, str, str]]:
    for mark in marks:
        match mark:
            case SpanMark(first=first, last=last, label=label, role=role) if label:
                yield first, last, label, ROLES[role]
            case InstantMark(at=at, label=label, role=role) | PlaceMark(at=at, label=label, role=role) if label:
                yield at, at, label, ROLES[role]
            case OutlineMark(label=label, role=role) if label and mark.times.size:
                yield float(mark.times[0]), float(mark.times[-1]) + mark.step, label, ROLES[role]
            case PolygonMark(label=label, role=role) if label:
                across = [x for x, _ in mark.corners]
                yield min(across), max(across), label, ROLES[role]


def _of_levels(panel: Panel) -> Iterator[tuple[float, str, str]]:
    for mark in panel.marks:
        match mark:
            case LevelMark(value=value, label=label, role=role) if label:
                yield value, label, ROLES[role]
            case ZoneMark(low=low, high=high, label=label, role=role) if label:
                yield (low + high) / 2, label, ROLES[role]
            case ReachMark(high=high, label=label, role=role) if label:
                yield high, label, ROLES[role]
    lines = [layer for layer in panel.layers if isinstance(layer, TraceLayer | CurveLayer)]
    lines = [line for line in lines if not (isinstance(line, CurveLayer) and line.is_on_right)]
    if len(lines) < 2:
        return
    for line in lines:
        values = line.values if isinstance(line, TraceLayer) else line.y
        valid = np.flatnonzero(np.isfinite(values))
        if valid.size:
            yield float(values[valid[-1]]), line.name, readable(line.colour)
