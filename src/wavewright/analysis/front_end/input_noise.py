"""How much of a reading is noise of the input itself."""

from __future__ import annotations

import math

from wavewright.analysis.doubts import EXTREMES, Doubt, Finding, Reads
from wavewright.analysis.elementary.exponentials import log, square
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.front_end.edge_speed import ABERRATIONS
from wavewright.analysis.record.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity

SHARE_OF_SWING = 0.2  # common practice, no source; as are the other two
SHARE_OF_OVERSHOOT = 1 / 3
SHARE_OF_RMS = 0.05


def input_noise(read: Read) -> Finding | None:
    """Noise that makes peaks higher, overshoot larger, and adds to an rms value in quadrature."""
    if len(read.surveys) != 1 or read.reading.value is None:
        return None
    ((survey, front_end),) = read.pairs
    if front_end is None or not front_end.noise:
        return None
    try:
        noise = min(front_end.noise, survey.noise)
    except NotMeasurable:
        return None
    if read.metric in ABERRATIONS:
        return _in_overshoot(read, survey, noise)
    if read.reading.unit != survey.unit:
        return None
    if read.metric == "ac_rms":
        return _in_rms(read, noise)
    return _in_extremes(read, survey, noise) if read.parts and read.parts <= EXTREMES else None


def peaks_of_noise(noise: float, samples: int) -> float:
    """How far white noise reaches to one side in this many samples, on the average at most: σ·√(2 ln n); math."""
    return noise * math.sqrt(2 * log(max(samples, 2)))


def _in_extremes(read: Read, survey: Survey, noise: float) -> Finding | None:
    peak = peaks_of_noise(noise, len(survey))
    lowest, highest = sorted(survey.wave.value_of(code) for code in survey.extremes)
    if 2 * peak <= SHARE_OF_SWING * (highest - lowest):
        return None
    text = (
        f"noise of {show_quantity(noise, survey.unit)} rms reaches {show_quantity(2 * peak, survey.unit)} peak to peak"
    )
    both = read.parts == EXTREMES
    below = 2 * peak if both else peak * (Reads.HIGHEST in read.parts)
    return Finding(Doubt.INPUT_NOISE, text, below, peak * (Reads.LOWEST in read.parts and not both), decides=False)


def _in_overshoot(read: Read, survey: Survey, noise: float) -> Finding | None:
    try:
        share = peaks_of_noise(noise, len(survey)) / survey.levels.amplitude
    except NotMeasurable:
        return None
    if share <= SHARE_OF_OVERSHOOT * abs(read.reading.value or 0.0):
        return None
    text = f"noise of {show_quantity(noise, survey.unit)} rms reaches {show_quantity(share, '1')} of the amplitude"
    return Finding(Doubt.INPUT_NOISE, text, share, 0.0, decides=False)


def _in_rms(read: Read, noise: float) -> Finding | None:
    value = float(read.reading.value or 0.0)
    excess = value - math.sqrt(max(square(value) - square(noise), 0.0))
    if excess <= SHARE_OF_RMS * value:
        return None
    unit = read.reading.unit
    text = f"noise of {show_quantity(noise, unit)} rms is in the {show_quantity(value, unit)}"
    return Finding(Doubt.INPUT_NOISE, text, excess, 0.0, decides=False)
