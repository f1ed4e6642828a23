"""Amplitude spectrum of a channel, where a reading was taken from one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.catalogue import METRICS
from wavewright.errors import Misuse, NotMeasurable
from wavewright.quantities import show_quantity
from wavewright.reporting.layers import CurveLayer
from wavewright.reporting.marks import InstantMark, MarkRole
from wavewright.reporting.palette import INK
from wavewright.reporting.picture import Axis, Panel, Picture

if TYPE_CHECKING:
    from wavewright.reporting.drawn_shot import DrawnShot

LINES = 4000  # drawn; each stands for the strongest line of its stretch
MOST_DECADES = 9  # below the strongest line; a spectrum of exact zeros has rounding far below that


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
    from wavewright.analysis.spectrum.spectrum import amplitude_spectrum

    survey = subject.shot.survey(channel)
    spectrum = amplitude_spectrum(survey)
    amplitudes = np.asarray(spectrum.amplitudes)
    length = max(1, -(-amplitudes.size // LINES))
    firsts = np.arange(0, amplitudes.size, length)
    strongest = np.maximum.reduceat(amplitudes, firsts).astype(np.float32)
    step = spectrum.step * length
    positive = strongest[strongest > 0]
    low, high = (float(positive.min()), float(positive.max())) if positive.size else (1.0, 10.0)
    low = max(low, high * 10.0**-MOST_DECADES) / 1.5
    line = CurveLayer(
        channel,
        INK,
        step * np.arange(strongest.size, dtype=np.float64),
        np.where(strongest > 0, strongest, np.nan).astype(np.float64),
    )
    marks: tuple[InstantMark, ...] = ()
    told = f"Amplitude spectrum of {channel} up to {show_quantity(step * strongest.size, 'Hz')}."
    if tone is not None:
        marks = (InstantMark(tone, show_quantity(tone, "Hz"), MarkRole.READING),)
        told += f" Marked: {show_quantity(tone, 'Hz')}."
    axis = Axis(f"{channel}, amplitude", survey.unit, low, 1.5 * high, is_log=True)
    panel = Panel(channel, axis, (line,), marks, height=230)
    frequency = Axis("frequency", "Hz", 0.0, step * strongest.size)
    return Picture(name, f"Amplitude spectrum of {channel}", told, frequency, (panel,))
