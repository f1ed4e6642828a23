"""Traces of one shot: one row per channel on one time axis, with levels, limits, trigger and what was measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.quantities import show_quantity
from wavewright.reporting.axis_units import hover_value, value_axis
from wavewright.reporting.outline import outline
from wavewright.reporting.palette import BLUE, INK, SKY_BLUE, VERMILION, YELLOW, colour_of
from wavewright.reporting.picture import Picture

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from wavewright.waveform import Waveform

STRETCHES = 2000
LINE = 12  # pixels
STRIP = 18  # pixels
MOST_MARKS = 40  # of one result in one picture; a hundred thousand crossings would hide what they mark


@dataclass(frozen=True, slots=True)
class LevelMark:
    """A level drawn across a channel: a state, a reference level, one end of a limit."""

    channel: str
    value: float
    label: str
    is_limit: bool = False


@dataclass(frozen=True, slots=True)
class SpanMark:
    """A stretch of time on a channel that was measured, between two cursors; of no length where an instant is meant."""

    channel: str
    first: float
    last: float
    label: str
    is_bad: bool = False


@dataclass(frozen=True, slots=True)
class StripMark:
    """A box on the strip above a channel: a decoded frame with what it says."""

    channel: str
    first: float
    last: float
    text: str
    is_bad: bool = False


Mark = LevelMark | SpanMark | StripMark


def trace_picture(
    waves: Mapping[str, Waveform],
    *,
    trigger_time: float,
    name: str,
    title: str,
    marks: Sequence[Mark] = (),
    keep_codes: bool = True,
) -> Picture:
    """One shot as a picture; all channels zoom and pan together.

    Parameters
    ----------
    waves : by channel, at least one, from the top.
    keep_codes : put the codes themselves into the picture too, so that zooming in shows every sample.
    """
    from plotly.subplots import make_subplots

    channels = list(waves)
    figure = make_subplots(rows=len(channels), cols=1, shared_xaxes=True, vertical_spacing=0.06)
    detail: dict[int, Waveform] = {}
    drawn = [_trigger(trigger_time, above_strip=any(_is_on_top(mark, channels[0]) for mark in marks))]
    for row, channel in enumerate(channels, 1):
        wave = waves[channel]
        complete = _add_trace(figure, wave, channel, row)
        if keep_codes and not complete:
            detail[row - 1] = wave
        drawn += _staggered([_drawn(mark, row) for mark in marks if mark.channel == channel])
    figure.update_xaxes(exponentformat="SI", minexponent=0, ticksuffix="s", showspikes=True, spikethickness=1)
    figure.update_xaxes(range=_span(waves), autorange=False)
    figure.update_xaxes(title_text="time from the trigger", row=len(channels), col=1)
    figure.update_layout(
        height=90 + 210 * len(channels),
        showlegend=False,
        shapes=[shape for shape, _ in drawn],
        annotations=[label for _, label in drawn if label is not None],
    )
    return Picture(name, title, _described(waves, marks), figure, detail)


def _add_trace(figure: go.Figure, wave: Waveform, channel: str, row: int) -> bool:
    import plotly.graph_objects as go

    drawn = outline(wave, stretches=STRETCHES)
    figure.add_trace(
        go.Scatter(
            y=drawn.values,
            x0=drawn.start,
            dx=drawn.step,
            mode="lines",
            name=channel,
            line={"color": colour_of(row - 1), "width": 1.2},
            hovertemplate=hover_value("y", wave.unit, digits=4)
            + "<br>%{x:.5s}s<extra>"
            + channel.replace("<", "&lt;")
            + "</extra>",
        ),
        row=row,
        col=1,
    )
    figure.update_yaxes(
        title_text=channel.replace("<", "&lt;"),
        row=row,
        col=1,
        **value_axis(wave.unit),
    )
    return drawn.is_complete


def _staggered(
    drawn: list[tuple[dict[str, Any], dict[str, Any] | None]],
) -> list[tuple[dict[str, Any], dict[str, Any] | None]]:
    """Labels of stretches of time one below the other: several often begin at the same instant."""
    labels = [label for _, label in drawn if label is not None and label["yanchor"] == "top"]
    for number, label in enumerate(labels):
        label["yshift"] = -LINE * number
    return drawn


def _is_on_top(mark: Mark, channel: str) -> bool:
    return isinstance(mark, StripMark) and mark.channel == channel


def _trigger(time: float, *, above_strip: bool) -> tuple[dict[str, Any], dict[str, Any] | None]:
    line = {"color": VERMILION, "dash": "dot", "width": 1}
    shape = {"type": "line", "x0": time, "x1": time, "y0": 0, "y1": 1, "xref": "x", "yref": "paper", "line": line}
    shift = {"yshift": STRIP} if above_strip else {}
    return shape, _label("trigger", VERMILION, x=time, y=1, xref="x", yref="paper", yanchor="bottom", **shift)


def _drawn(mark: Mark, row: int) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """A mark as a shape and a label of plotly's layout; plain dictionaries, since adding them one by one is slow."""
    axis = "" if row == 1 else str(row)
    along, across, whole = f"x{axis}", f"y{axis}", f"y{axis} domain"
    match mark:
        case LevelMark():
            colour = VERMILION if mark.is_limit else BLUE
            line = {"color": colour, "width": 1, "dash": "solid" if mark.is_limit else "dash"}
            ends = {"x0": 0, "x1": 1, "y0": mark.value, "y1": mark.value}
            place = {"x": 1, "y": mark.value, "xref": f"{along} domain", "yref": across}
            shape = {"type": "line", **ends, "xref": f"{along} domain", "yref": across, "line": line}
            return shape, _label(mark.label, colour, **place, xanchor="right", yanchor="bottom")
        case SpanMark():
            colour = VERMILION if mark.is_bad else SKY_BLUE
            ends = {"x0": mark.first, "x1": mark.last, "y0": 0, "y1": 1}
            look = {"line": {"color": colour, "width": 1}, "fillcolor": colour, "opacity": 0.25}
            shape = {"type": "rect", **ends, "xref": along, "yref": whole, **look}
            place = {"x": mark.first, "y": 1, "xref": along, "yref": whole}
            return shape, _label(mark.label, INK, **place, xanchor="left", yanchor="top")
        case StripMark():
            colour = VERMILION if mark.is_bad else INK
            ends = {"x0": mark.first, "x1": mark.last, "y0": 1.0, "y1": 1.09}
            look = {"line": {"color": colour, "width": 1}, "fillcolor": VERMILION if mark.is_bad else YELLOW}
            text = {"text": _plain(mark.text), "font": {"size": 10}, "textposition": "middle center"}
            return {"type": "rect", **ends, "xref": along, "yref": whole, **look, "opacity": 0.6, "label": text}, None


def _label(text: str, colour: str, **place: Any) -> dict[str, Any] | None:
    return {"text": _plain(text), "showarrow": False, "font": {"size": 10, "color": colour}, **place} if text else None


def _span(waves: Mapping[str, Waveform]) -> list[float]:
    """First and last instant that any channel has; never of no length, which an axis could not show."""
    ends = [(wave.start, wave.time_of(max(1, len(wave) - 1))) for wave in waves.values()]
    return [min(first for first, _ in ends), max(last for _, last in ends)]


def _described(waves: Mapping[str, Waveform], marks: Sequence[Mark]) -> str:
    parts = [_wave_described(name, wave) for name, wave in waves.items()]
    marked = [mark.label for mark in marks if not isinstance(mark, StripMark) and mark.label]
    said = [mark.text for mark in marks if isinstance(mark, StripMark)]
    if marked:
        parts.append(f"Marked: {', '.join(dict.fromkeys(marked))}.")
    if said:
        parts.append(f"Decoded: {', '.join(said[:12])}{' and more' if len(said) > 12 else ''}.")
    return " ".join(parts)


def _wave_described(name: str, wave: Waveform) -> str:
    if not len(wave):
        return f"{name}: no samples."
    drawn = outline(wave).values
    valid = drawn[~np.isnan(drawn)]
    if not valid.size:
        return f"{name}: {len(wave)} samples, none of them valid."
    step = float(valid.max() - valid.min()) / 1000
    low, high = (show_quantity(float(end), wave.unit, resolution=step) for end in (valid.min(), valid.max()))
    first, last = (show_quantity(wave.time_of(index), "s") for index in (0, len(wave) - 1))
    return f"{name}: {len(wave)} samples from {low} to {high}, from {first} to {last}."


def _plain(text: str) -> str:
    """Plotly reads some HTML in its texts; what others wrote shall not be read so."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def marks_of_reading(label: str, channel: str, reading: Any, *, is_bad: bool = False) -> tuple[SpanMark, ...]:
    """Where a reading found its subject: cursors at begin and end for durations, instants for everything else."""
    if reading.occurrences is None:
        return ()
    times, values = reading.occurrences.times[:MOST_MARKS], reading.occurrences.values[:MOST_MARKS]
    lasting = reading.unit == "s"
    return tuple(
        SpanMark(
            channel, float(time), float(time + value) if lasting else float(time), label if not number else "", is_bad
        )
        for number, (time, value) in enumerate(zip(times, values, strict=True))
    )
