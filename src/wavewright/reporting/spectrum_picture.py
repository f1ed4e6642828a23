"""Amplitude spectrum of a channel, where a reading was taken from one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.catalogue import METRICS
from wavewright.errors import Misuse, NotMeasurable
from wavewright.quantities import show_quantity
from wavewright.reporting.axis_units import hover_value, value_axis
from wavewright.reporting.palette import INK, VERMILION
from wavewright.reporting.picture import Picture

if TYPE_CHECKING:
    from wavewright.reporting.drawn_shot import DrawnShot

LINES = 4000  # drawn; each stands for the strongest line of its stretch


def spectrum_pictures(subject: DrawnShot) -> Iterator[Picture]:
    """A spectrum for each channel whose frequencies a reading is about."""
    channels = {result.of[0]: result for result in subject.one.results if result.of and _is_spectral(result.metric)}
    for number, (channel, result) in enumerate(channels.items(), 1):
        if channel not in subject.waves():
            continue
        found = result.reading.value if result.reading.unit == "Hz" else None
        try:
            yield _picture(subject, channel, f"{subject.anchor}-spectrum{number}", found)
        except NotMeasurable:
            continue


def _is_spectral(metric: str) -> bool:
    try:
        module = METRICS.find(metric).compute.__module__
    except Misuse:
        return False
    return "window" in {parameter.name for parameter in METRICS.find(metric).parameters} or "spectr" in module


def _picture(subject: DrawnShot, channel: str, name: str, tone: float | None) -> Picture:
    import plotly.graph_objects as go

    from wavewright.analysis.spectrum.spectrum import amplitude_spectrum

    survey = subject.shot.survey(channel)
    spectrum = amplitude_spectrum(survey)
    amplitudes = np.asarray(spectrum.amplitudes)
    length = max(1, -(-amplitudes.size // LINES))
    firsts = np.arange(0, amplitudes.size, length)
    strongest = np.maximum.reduceat(amplitudes, firsts).astype(np.float32)
    step = spectrum.step * length
    figure = go.Figure(
        go.Scatter(
            y=strongest, x0=0.0, dx=step, mode="lines", name=channel, line={"color": INK, "width": 1},
            hovertemplate=hover_value("y", survey.unit, digits=4) + "<br>%{x:.5s}Hz<extra></extra>",
        )
    )  # fmt: skip
    figure.update_xaxes(
        exponentformat="SI",
        minexponent=0,
        ticksuffix="Hz",
        title_text="frequency",
        range=[0, step * strongest.size],
        autorange=False,
    )
    figure.update_yaxes(type="log", title_text=f"{channel}, amplitude", **value_axis(survey.unit))
    figure.update_layout(height=300, showlegend=False)
    told = f"Amplitude spectrum of {channel} up to {show_quantity(step * strongest.size, 'Hz')}."
    if tone is not None:
        figure.add_vline(
            x=tone, line={"color": VERMILION, "dash": "dot", "width": 1}, annotation_text=show_quantity(tone, "Hz")
        )
        told += f" Marked: {show_quantity(tone, 'Hz')}."
    return Picture(name, f"Amplitude spectrum of {channel}", told, figure, along="frequency")
