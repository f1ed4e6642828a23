"""The picture of a shot in the part of it that a page shows: as in a report, but for one view."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from wavewright.reporting.layers import TraceLayer
from wavewright.reporting.marks import FrameMark, InstantMark, Mark, MarkRole, SpanMark
from wavewright.reporting.palette import INK, colour_of
from wavewright.reporting.picture import Axis, Panel, Picture
from wavewright.reporting.traces import span_of, trace_layer, trace_panel
from wavewright.waveform import Waveform

MOST_MARKS = 200  # of one channel in one view
REFERENCE = "reference"  # ends the name of a trace that was kept


@dataclass(frozen=True, slots=True)
class View:
    """What a page shows of a record: begin and length, s, and how many pixels wide."""

    start: float
    span: float
    columns: int


def whole_view(waves: Mapping[str, Waveform], columns: int) -> View:
    """The view that shows all samples of all waveforms."""
    first, last = span_of(waves)
    return View(first, last - first, columns)


def view_picture(
    waves: Mapping[str, Waveform],
    view: View,
    *,
    title: str,
    trigger_time: float = 0.0,
    marks: Mapping[str, Sequence[Mark]] | None = None,
    kept: Mapping[str, Waveform] | None = None,
) -> Picture:
    """A view of a shot: every sample of it is in a column, or is a point where there are few.

    Parameters
    ----------
    waves : by channel, from the top.
    marks : by channel; those outside the view are left out.
    kept : reference traces, drawn under the channel of the same name.
    """
    first, last = view.start, view.start + view.span
    trigger = [InstantMark(trigger_time, "trigger", MarkRole.TRIGGER)] if first <= trigger_time <= last else []
    panels = []
    for number, (name, wave) in enumerate(waves.items()):
        seen = [mark for mark in (marks or {}).get(name, ()) if _is_seen(mark, first, last)]
        old = (kept or {}).get(name)
        others = [] if old is None else [_layer(old, f"{name}, {REFERENCE}", INK, view)]
        layer = _layer(wave, name, colour_of(number), view)
        panels.append(_steady(trace_panel(layer, [*trigger, *seen[:MOST_MARKS]], others=others), wave))
    axis = Axis("time from the trigger", "s", first, last)
    return Picture("shot", title, f"{title}: {', '.join(waves)}.", axis, tuple(panels))


def _layer(wave: Waveform, name: str, colour: str, view: View) -> TraceLayer:
    """The samples of a view, and one more on either side, so that the line goes on to the edge."""
    begin = math.floor((view.start - wave.start) / wave.interval) - 1
    end = math.ceil((view.start + view.span - wave.start) / wave.interval) + 2
    begin, end = min(max(begin, 0), len(wave)), max(min(end, len(wave)), 0)
    part = wave.part(begin, max(end, begin))
    return trace_layer(part, name, colour, columns=view.columns, keep_codes=False)


def _steady(panel: Panel, wave: Waveform) -> Panel:
    """The panel with the range of the converter as its axis, where that is known: it stays from shot to shot."""
    if wave.code_range is None:
        return panel
    low, high = sorted(wave.value_of(code) for code in wave.code_range)
    return replace(panel, axis=replace(panel.axis, low=low, high=high))


def _is_seen(mark: Mark, first: float, last: float) -> bool:
    if isinstance(mark, SpanMark | FrameMark):
        return mark.last >= first and mark.first <= last
    return True
