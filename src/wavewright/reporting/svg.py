"""One picture of a run as SVG: the decisive shot, for a page or a message that shows no scripts."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from html import escape

from wavewright.quantities import show_quantity
from wavewright.reporting.catalogue import report_format
from wavewright.reporting.drawn_shot import DrawnShot, drawn_shot_of, urgency
from wavewright.reporting.marks import FrameMark, LevelMark, Mark, MarkRole, SpanMark
from wavewright.reporting.outline import outline
from wavewright.reporting.palette import BLUE, SKY_BLUE, VERMILION, YELLOW, colour_of
from wavewright.reporting.pictures import marks_of
from wavewright.running.outcome import Outcome
from wavewright.running.readings_table import shown_value
from wavewright.running.result import MeasurementOutcome
from wavewright.waveform import Waveform

Place = Callable[[float], float]
WIDTH, ROW, LEFT, TOP, GAP, LINE = 860.0, 170.0, 78.0, 34.0, 22.0, 15.0
MOST_RESULTS = 8
ACROSS = WIDTH - LEFT - 16


@report_format("svg", ".svg")
def svg(outcome: Outcome) -> str:
    """SVG picture of the decisive shot: its channels with the levels, limits and times that were used.

    Raises
    ------
    Misuse : no measurement of the run has a shot that can be drawn.
    """
    one, subject = drawn_shot_of(outcome)
    waves = subject.waves()
    lines = list(_told(one, len(outcome.measurements)))
    head = len(lines) * LINE
    height = head + TOP + len(waves) * (ROW + GAP) + 26
    marks = marks_of(subject)
    title = f"{outcome.title}: {one.label}, {one.verdict}"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:g}" width="{WIDTH:g}" role="img" '
        f'font-family="sans-serif" font-size="11">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH:g}" height="{height:g}" fill="#ffffff"/>',
        f'<text x="{LEFT:g}" y="18" font-size="13" font-weight="bold">{escape(title)}</text>',
        *(_text(LEFT, 18 + LINE * number, line) for number, line in enumerate(lines, 1)),
        f'<g transform="translate(0 {head:g})">',
    ]
    span = _span(waves)
    for number, (name, wave) in enumerate(waves.items()):
        parts += _row(name, wave, span, number, marks.get(name, []))
    parts += _time_axis(span, height - head - 22, _trigger(subject))
    return "\n".join([*parts, "</g>", "</svg>", ""])


def _told(one: MeasurementOutcome, measurements: int) -> Iterator[str]:
    """A line for each result of the measurement that is drawn, the most urgent one first."""
    results = sorted(one.results, key=urgency)
    for result in results[:MOST_RESULTS]:
        limit = f", limit {result.limit}" if result.limit else ""
        verdict = "" if result.verdict is None else f": {result.verdict}"
        yield f"{result.name} {shown_value(result)}{limit}{verdict}"
    if len(results) > MOST_RESULTS:
        yield f"and {len(results) - MOST_RESULTS} more"
    if measurements > 1:
        yield f"drawn: 1 of {measurements} measurements, the worst; `--measurement` selects another"


def _row(name: str, wave: Waveform, span: tuple[float, float], number: int, marks: list[Mark]) -> Iterator[str]:
    top = TOP + number * (ROW + GAP)
    drawn = outline(wave, stretches=700)
    values = [float(value) for value in drawn.values]
    valid = [value for value in values if not math.isnan(value)] or [0.0]
    levels = [mark.value for mark in marks if isinstance(mark, LevelMark)]
    low, high = min([*valid, *levels]), max([*valid, *levels])
    margin = 0.06 * ((high - low) or abs(high) or 1.0)
    low, high = low - margin, high + margin

    def x(time: float) -> float:
        return LEFT + ACROSS * (time - span[0]) / (span[1] - span[0])

    def y(value: float) -> float:
        return top + ROW * (high - value) / (high - low)

    yield f'<rect x="{LEFT:g}" y="{top:g}" width="{ACROSS:g}" height="{ROW:g}" fill="none" stroke="#c9c9c4"/>'
    yield _text(LEFT - 8, top + ROW / 2, name, 'text-anchor="end" font-weight="bold"')
    for end, where in ((high - margin, top + 10), (low + margin, top + ROW - 2)):
        told = show_quantity(end, wave.unit, resolution=(high - low) / 1000)
        yield _text(LEFT - 8, where, told, 'text-anchor="end"')
    for mark in marks:
        yield from _mark(mark, x, y, top)
    points = [
        f"{x(drawn.start + index * drawn.step):.1f},{y(value):.1f}"
        for index, value in enumerate(values)
        if not math.isnan(value)
    ]
    yield f'<polyline points="{" ".join(points)}" fill="none" stroke="{colour_of(number)}" stroke-width="1"/>'


def _mark(mark: Mark, x: Place, y: Place, top: float) -> Iterator[str]:
    if isinstance(mark, LevelMark):
        colour, where = VERMILION if mark.role is MarkRole.LIMIT else BLUE, y(mark.value)
        yield f'<path d="M{LEFT:g} {where:.1f} h{ACROSS:g}" stroke="{colour}" stroke-dasharray="5 4"/>'
        yield _text(LEFT + ACROSS - 4, where - 3, mark.label, f'text-anchor="end" fill="{colour}"')
        return
    if not isinstance(mark, SpanMark | FrameMark):
        return
    first, last = x(mark.first), x(mark.last)
    width = max(1.0, last - first)
    if isinstance(mark, SpanMark):
        colour = VERMILION if mark.role is MarkRole.FAILED else SKY_BLUE
        yield _box(first, top, width, ROW, f'fill="{colour}" opacity="0.3"')
        if mark.label:
            yield _text(first + 3, top + 12, mark.label)
        return
    yield _box(
        first, top - 13, width, 12, f'fill="{VERMILION if mark.is_bad else YELLOW}" stroke="#000000" opacity="0.7"'
    )
    if width > 6 * len(mark.text):
        yield _text((first + last) / 2, top - 3.5, mark.text, 'text-anchor="middle" font-size="9"')


def _box(left: float, top: float, width: float, height: float, look: str) -> str:
    return f'<rect x="{left:.1f}" y="{top:.1f}" width="{width:.1f}" height="{height:.1f}" {look}/>'


def _text(left: float, base: float, text: str, look: str = "") -> str:
    return f'<text x="{left:.1f}" y="{base:.1f}" {look}>{escape(text)}</text>'


def _time_axis(span: tuple[float, float], where: float, trigger: float) -> Iterator[str]:
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        time = span[0] + share * (span[1] - span[0])
        text = show_quantity(time, "s", resolution=(span[1] - span[0]) / 1000)
        anchor = {0.0: "start", 1.0: "end"}.get(share, "middle")
        yield f'<text x="{LEFT + share * ACROSS:.1f}" y="{where + 12:.1f}" text-anchor="{anchor}">{escape(text)}</text>'
    if span[0] <= trigger <= span[1]:
        at = LEFT + ACROSS * (trigger - span[0]) / (span[1] - span[0])
        yield f'<path d="M{at:.1f} {TOP:g} V{where:.1f}" stroke="{VERMILION}" stroke-dasharray="2 3"/>'


def _span(waves: Mapping[str, Waveform]) -> tuple[float, float]:
    starts = [wave.start for wave in waves.values()]
    ends = [wave.time_of(max(1, len(wave) - 1)) for wave in waves.values()]
    return min(starts), max(ends)


def _trigger(subject: DrawnShot) -> float:
    return subject.shot.capture.trigger_time
