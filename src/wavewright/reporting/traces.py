"""Traces of one shot: one panel per channel on one time axis, with levels, limits, trigger and what was measured."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from wavewright.quantities import show_quantity
from wavewright.reporting.layers import TraceLayer
from wavewright.reporting.marks import FrameMark, InstantMark, LevelMark, Mark, MarkRole, ReachMark, ZoneMark
from wavewright.reporting.outline import record_columns
from wavewright.reporting.palette import colour_of
from wavewright.reporting.picture import Axis, Panel, Picture

if TYPE_CHECKING:
    from wavewright.waveform import Waveform

COLUMNS = 2000
MARGIN = 0.06  # of the height, above and below
FEW_CODES = 24
FARTHEST = 3.0  # heights of a trace: a level beyond that would flatten it, and is not drawn


def trace_picture(
    waves: Mapping[str, Waveform],
    *,
    trigger_time: float,
    name: str,
    title: str,
    marks: Mapping[str, Sequence[Mark]] | None = None,
    keep_codes: bool = True,
    columns: int = COLUMNS,
) -> Picture:
    """One shot as a picture; all channels zoom and pan together.

    Parameters
    ----------
    waves : by channel, at least one, from the top.
    marks : by channel.
    keep_codes : put the codes themselves into the picture too, so that zooming in shows every sample.
    """
    found = marks or {}
    first, last = span_of(waves)
    trigger = [InstantMark(trigger_time, "trigger", MarkRole.TRIGGER)] if first <= trigger_time <= last else []
    panels = []
    for number, (channel, wave) in enumerate(waves.items()):
        layer = trace_layer(wave, channel, colour_of(number), columns=columns, keep_codes=keep_codes)
        named = [replace(mark, label="") for mark in trigger] if number else trigger  # once is enough
        drawn = trace_panel(layer, [*named, *found.get(channel, ())], least=_least_height(wave))
        panels.append(replace(drawn, height=_height(len(waves))))
    told = _described(waves, panels, [mark for each in found.values() for mark in each])
    return Picture(name, title, told, Axis("time from the trigger", "s", first, last), tuple(panels))


def _height(panels: int) -> int:
    return {1: 210, 2: 180, 3: 140}.get(panels, 110)


def trace_layer(
    wave: Waveform, name: str, colour: str, *, columns: int = COLUMNS, keep_codes: bool = True
) -> TraceLayer:
    """A record as it is drawn: whole where that is no more than two samples per column, else as columns."""
    drawn = record_columns(wave, columns=columns)
    if drawn is None:
        values = wave.values().astype(np.float32)
        return TraceLayer(name, wave.unit, colour, wave.start, wave.interval, values)
    record = wave if keep_codes else None
    return TraceLayer(
        name, wave.unit, colour, drawn.start, drawn.step, drawn.means, drawn.lows, drawn.highs, record
    )  # fmt: skip


def _least_height(wave: Waveform) -> float:
    """So high that the last digit of a converter does not look like a signal; 0 where there is no converter."""
    return FEW_CODES * abs(wave.gain) if wave.codes.dtype.kind in "iu" else 0.0


def trace_panel(
    trace: TraceLayer, marks: Sequence[Mark] = (), *, others: Sequence[TraceLayer] = (), least: float = 0.0
) -> Panel:
    """One channel, and what else is drawn over it, with room for all of it and for the levels that are near.

    `least` : height that it has at least, in the unit of the trace.
    """
    layers = (trace, *others)
    low, high = extent(layers)
    lacking = max(0.0, least - (high - low)) / 2
    low, high = low - lacking, high + lacking
    height = (high - low) or abs(high) or 1.0
    near = [end for end in _levels(marks) if low - FARTHEST * height <= end <= high + FARTHEST * height]
    low, high = min([low, *near]), max([high, *near])
    margin = MARGIN * ((high - low) or abs(high) or 1.0)
    return Panel(trace.name, Axis(trace.name, trace.unit, low - margin, high + margin), layers, tuple(marks))


def extent(layers: Iterable[TraceLayer]) -> tuple[float, float]:
    """The lowest and the highest sample; 0 and 0 where there is none."""
    ends = [end for layer in layers for end in (layer.low(), layer.high())]
    valid = [end[np.isfinite(end)] for end in ends]
    low = min((float(end.min()) for end in valid if end.size), default=0.0)
    return low, max((float(end.max()) for end in valid if end.size), default=0.0)


def span_of(waves: Mapping[str, Waveform]) -> tuple[float, float]:
    """First and last instant that any channel has; never of no length, which an axis could not show."""
    ends = [(wave.start, wave.time_of(max(1, len(wave) - 1))) for wave in waves.values()]
    return min(first for first, _ in ends), max(last for _, last in ends)


def _levels(marks: Iterable[Mark]) -> Iterable[float]:
    for mark in marks:
        match mark:
            case LevelMark():
                yield mark.value
            case ZoneMark():
                yield from (mark.low, mark.high)
            case ReachMark():
                yield from (mark.low, mark.high)


def _described(waves: Mapping[str, Waveform], panels: Sequence[Panel], marks: Sequence[Mark]) -> str:
    parts = [_wave_described(name, wave, panel) for (name, wave), panel in zip(waves.items(), panels, strict=True)]
    marked = [mark.label for mark in marks if not isinstance(mark, FrameMark) and mark.label]
    said = [mark.text for mark in marks if isinstance(mark, FrameMark)]
    if marked:
        parts.append(f"Marked: {', '.join(dict.fromkeys(marked))}.")
    if said:
        parts.append(f"Decoded: {', '.join(said[:12])}{' and more' if len(said) > 12 else ''}.")
    return " ".join(parts)


def _wave_described(name: str, wave: Waveform, panel: Panel) -> str:
    if not len(wave):
        return f"{name}: no samples."
    (trace,) = (layer for layer in panel.layers if isinstance(layer, TraceLayer))
    if not np.isfinite(trace.low()).any():
        return f"{name}: {len(wave)} samples, none of them valid."
    ends = extent([trace])
    step = (ends[1] - ends[0]) / 1000
    low, high = (show_quantity(end, wave.unit, resolution=step) for end in ends)
    first, last = (show_quantity(wave.time_of(index), "s") for index in (0, len(wave) - 1))
    return f"{name}: {len(wave)} samples from {low} to {high}, from {first} to {last}."
