"""Counts over time and level as a picture: dark where many samples went, light where few, empty where none."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from wavewright.quantities import show_quantity
from wavewright.reporting.axis_units import hover_value, value_axis
from wavewright.reporting.palette import BLUE, INK, SKY_BLUE

if TYPE_CHECKING:
    import plotly.graph_objects as go

STEPS = 255


def count_figure(
    counts: npt.NDArray[np.int64], *, window: tuple[float, float], levels: tuple[float, float], channel: str, unit: str
) -> go.Figure:
    """A heat map of counts of shape (levels, times); darkness goes with the logarithm, so that one sample is seen."""
    import plotly.graph_objects as go

    rows, columns = counts.shape
    most = max(1, int(counts.max()))
    # one byte per cell: 0 is empty, 1 a single sample, 255 the most
    shades = np.where(counts > 0, 1 + np.round((STEPS - 1) * np.log1p(counts) / np.log1p(most)), 0).astype(np.uint8)
    figure = go.Figure(
        go.Heatmap(
            z=shades, x0=window[0] + _half(window, columns), dx=2 * _half(window, columns),
            y0=levels[0] + _half(levels, rows), dy=2 * _half(levels, rows), zmin=0, zmax=STEPS,
            colorscale=[[0, "rgba(0,0,0,0)"], [1 / STEPS, SKY_BLUE], [0.5, BLUE], [1, INK]], showscale=False,
            hovertemplate=hover_value("y", unit, digits=4) + "<br>%{x:.5s}s<extra></extra>",
        )
    )  # fmt: skip
    figure.update_xaxes(exponentformat="SI", minexponent=0, ticksuffix="s", range=list(window), autorange=False)
    figure.update_yaxes(**value_axis(unit), title_text=channel.replace("<", "&lt;"))
    figure.update_layout(height=360, showlegend=False)
    return figure


def described_counts(counts: npt.NDArray[np.int64], shots: int, levels: tuple[float, float], unit: str) -> str:
    """The counts in words: how many samples, and between which levels."""
    occupied = np.flatnonzero(counts.any(axis=1))
    if not occupied.size:
        return "No samples."
    step = (levels[1] - levels[0]) / counts.shape[0]
    ends = (levels[0] + step * int(occupied[0]), levels[0] + step * (int(occupied[-1]) + 1))
    low, high = (show_quantity(end, unit) for end in ends)
    return f"{int(counts.sum())} samples of {shots} shots, between {low} and {high}."


def add_boxes(figure: go.Figure, boxes: list[dict[str, Any]]) -> None:
    """Outlines over the counts: what is forbidden, where it was violated, what was rare."""
    figure.update_layout(shapes=boxes)


def _half(ends: tuple[float, float], cells: int) -> float:
    return (ends[1] - ends[0]) / cells / 2
