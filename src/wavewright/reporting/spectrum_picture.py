"""Amplitude spectrum of a channel, where a reading was taken from one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.catalogue import METRICS
from wavewright.errors import Misuse, NotMeasurable
from wavewright.judgement.shown import expanded_uncertainty
from wavewright.quantities import show_quantity
from wavewright.reporting.decisive_marks import limit_ends, role_of
from wavewright.reporting.layers import CurveLayer
from wavewright.reporting.marks import InstantMark, Mark, MarkRole, SpanMark
from wavewright.reporting.palette import INK
from wavewright.reporting.picture import Axis, Panel, Picture
from wavewright.running.readings_table import shown_value

if TYPE_CHECKING:
    from wavewright.reporting.drawn_shot import DrawnShot
    from wavewright.running.result import Result

LINES = 4000  # drawn; each stands for the strongest line of its stretch
MOST_DECADES = 9  # below the strongest line; a spectrum of exact zeros has rounding far below that


def spectrum_pictures(subject: DrawnShot) -> Iterator[Picture]:
    """A spectrum for each channel whose frequencies a reading is about."""
    channels = {result.of[0]: result for result in subject.one.results if result.of and _is_spectral(result.metric)}
    for number, (channel, result) in enumerate(channels.items(), 1):
        if channel not in subject.waves():
            continue
        tone = result if result.reading.unit == "Hz" and result.reading.value is not None else None
        try:
            yield _picture(subject, channel, f"{subject.anchor}-spectrum{number}", tone)
        except NotMeasurable:
            continue


def _is_spectral(metric: str) -> bool:
    try:
        module = METRICS.find(metric).compute.__module__
    except Misuse:
        return False
    return "window" in {parameter.name for parameter in METRICS.find(metric).parameters} or "spectr" in module


def _picture(subject: DrawnShot, channel: str, name: str, tone: Result | None) -> Picture:
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
    marks: list[Mark] = []
    told = f"Amplitude spectrum of {channel} up to {show_quantity(step * strongest.size, 'Hz')}."
    if tone is not None and tone.reading.value is not None:
        reach = expanded_uncertainty(tone.reading) or 0.0
        label = f"{tone.name} {shown_value(tone)}"
        # of no length here: the interval is at its end, and is seen when somebody looks closer
        marks.append(SpanMark(tone.reading.value, tone.reading.value, label, role_of(tone), label, reach))
        marks += [InstantMark(end, words, MarkRole.LIMIT) for end, words in limit_ends(tone)]
        told += f" Marked: {label}{f', limit {tone.limit}' if tone.limit else ''}."
    axis = Axis(f"{channel}, amplitude", survey.unit, low, 1.5 * high, is_log=True)
    panel = Panel(channel, axis, (line,), tuple(marks), height=230)
    frequency = Axis("frequency", "Hz", 0.0, step * strongest.size)
    return Picture(name, f"Amplitude spectrum of {channel}", told, frequency, (panel,))
