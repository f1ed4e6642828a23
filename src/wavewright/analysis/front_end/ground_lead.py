"""A ground lead's ringing: an inductance with the capacitance of the tip, struck by every edge."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from wavewright.analysis.doubts import EXTREMES, Doubt, Finding
from wavewright.analysis.elementary.turns import cosine_and_sine
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.front_end.edge_speed import ABERRATIONS
from wavewright.analysis.front_end.probe_loading import resonance_frequency
from wavewright.analysis.parameters import Slope
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.transitions.transitions import find_transitions
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity
from wavewright.waveform import Floats

INDUCTANCE = 1e-6  # H per metre of wire: about 1 nH per mm, common practice, no source
ALIKE = 0.3  # relative; the lead's inductance depends on how it lies
LEAST = 0.02  # of the amplitude; less is not counted as ringing
PERIODS = 6.0  # of the ringing that are examined after an edge
FEWEST_SAMPLES = 2.5  # per period of the ringing: else it is not in the record
MOST_EDGES = 16
REFINED = 8  # times as many lines of the spectrum as the samples make


def ringing_of_lead(length: float, capacitance: float) -> float:
    """Hz, at which a lead of this length, m, rings with the capacitance of the tip, F; infinite without either."""
    product = INDUCTANCE * length * capacitance
    return resonance_frequency(INDUCTANCE * length, capacitance) if product else math.inf


def ground_lead(read: Read) -> Finding | None:
    """Overshoot and peaks at the frequency at which the ground lead of the probe rings."""
    if not (read.metric in ABERRATIONS or (read.parts and read.parts <= EXTREMES)) or read.reading.value is None:
        return None
    for survey, front_end in read.pairs:
        expected = None if front_end is None else front_end.lead_ringing
        if expected is None or not math.isfinite(expected) or expected * survey.wave.interval * FEWEST_SAMPLES > 1:
            continue
        found = _ringing(survey, expected)
        if found is not None and abs(found - expected) <= ALIKE * expected:
            text = (
                f"the signal rings at {show_quantity(found, 'Hz', resolution=expected / 100)} after its edges, and the "
                f"ground lead of the probe at about {show_quantity(expected, 'Hz', resolution=expected / 100)}"
            )
            return Finding(Doubt.GROUND_LEAD, text)
    return None


def _ringing(survey: Survey, expected: float) -> float | None:
    """The frequency, Hz, of what follows the edges of a record; None where it is too little to be one."""
    size = math.ceil(PERIODS / (expected * survey.wave.interval))
    try:
        amplitude = survey.levels.amplitude
        tails = list(_tails(survey, size))
    except NotMeasurable:
        return None
    if not tails:
        return None
    tail = np.mean(tails, axis=0)
    tail -= np.mean(tail[size // 2 :])
    if float(np.ptp(tail)) < LEAST * amplitude:
        return None
    from scipy.fft import rfft

    falling = (1 + cosine_and_sine((np.arange(size) + 0.5) / (2 * size - 1))[0]) / 2  # the second half of a Hann window
    transformed = rfft(tail * falling, n=REFINED * size)
    lines = np.square(transformed.real) + np.square(transformed.imag)
    first = math.ceil(REFINED * 1.5)  # slower ones are how the edge settles
    if lines.size <= first:
        return None
    return float((first + int(lines[first:].argmax())) / (REFINED * size * survey.wave.interval))


def _tails(survey: Survey, size: int) -> Iterator[Floats]:
    """What follows each of the first edges, all the same way up."""
    for slope, sign in ((Slope.RISING, 1.0), (Slope.FALLING, -1.0)):
        edges = find_transitions(survey, slope)
        for end in edges.ends[: MOST_EDGES // 2]:
            first = math.ceil(float(end))
            codes = survey.record.codes[first : first + size]
            if codes.size == size:
                yield sign * survey.wave.gain * np.asarray(codes, dtype=np.float64)
