"""Phase noise of a clock: the density of its phase at an offset from the carrier, and the jitter in a band of offsets.

The edges of one slope sample the phase once per period, so that offsets reach to half the frequency of the clock, and
noise beyond that is folded into them. L(f) is half the one-sided density of the phase (IEEE 1139 †).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import log10, square
from wavewright.analysis.elementary.sums import inner
from wavewright.analysis.elementary.turns import cosine_and_sine
from wavewright.analysis.jitter.jitter import Edge, jitter_trend
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE
from wavewright.analysis.spectrum.decibels import DB_OF_RATIO
from wavewright.analysis.time.crossing_resolution import instant_resolution
from wavewright.analysis.time.edges import MIDDLE, edges, period_doubts
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

SOURCE = "IEEE 1139 †: half the one-sided density of the phase"
AROUND = 0.1  # of the offset, on either side, over which the density is averaged
FIRST = 3  # line that the window can tell from the straight line that was taken out of the phase
SPREAD = 1.944  # of a mean over Hann-windowed lines, over that of independent ones: 1 + 2·(4/9) + 2/36 (math)


@dataclass(frozen=True, slots=True, eq=False)
class TimeErrorDensity:
    """One-sided density of the time interval errors, s²/Hz, at offsets that are multiples of `step`, Hz.

    `carrier` is the frequency of the clock, Hz.
    """

    densities: Floats
    step: float
    carrier: float

    def span(self, lowest: float, highest: float, *, name: str) -> slice:
        """The lines between two offsets, Hz; `name` is the channel, for messages.

        Raises
        ------
        NotMeasurable : there is none, or the record does not bear these offsets.
        """
        least, most = FIRST * self.step, self.carrier / 2
        first, last = math.ceil(lowest / self.step - 1e-9), math.floor(highest / self.step + 1e-9)
        if lowest < least or highest > most or last < first:
            raise NotMeasurable(
                f"`{name}`: offsets {lowest:g} Hz … {highest:g} Hz",
                expected=f"{least:.4g} Hz (three periods in the record) to {most:.4g} Hz (half the clock), "
                f"with a line every {self.step:.3g} Hz among them",
                do="lengthen `span`, or choose other offsets",
            )
        return slice(first, last + 1)


def time_error_density(errors: Floats, period: float) -> TimeErrorDensity:
    """The density of time errors, s, one per period, s, with a Hann window over all of them."""
    window = 0.5 - 0.5 * cosine_and_sine((np.arange(errors.size) + 0.5) / errors.size)[0]
    from scipy.fft import rfft

    lines = rfft(window * errors)
    squares = np.square(lines.real) + np.square(lines.imag)
    densities: Floats = 2 * period * squares / inner(window, window)
    return TimeErrorDensity(densities, 1 / (errors.size * period), 1 / period)


@metric("phase_noise", reads=Reads.EDGES, unit="dBc/Hz", source=SOURCE, reads_levels=True)
def phase_noise(
    survey: Survey,
    *,
    offset: Annotated[float, "Hz", POSITIVE],
    slope: Edge = "rising",
    level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Phase noise of a clock at an offset from its frequency, per hertz, relative to the carrier.

    Definition
    ----------
    L(f) = 10·log10(Sφ(f) / 2), Sφ = (2π·f0)²·Sx, Sx the one-sided density of the time interval errors of the edges; the
    mean over 0.9 to 1.1 times the offset.

    Parameters
    ----------
    offset : from the carrier, Hz.
    slope, level : where a period begins.

    Raises
    ------
    NotMeasurable : an offset that the record does not bear, or no noise at all.
    """
    density, doubts, _ = _density(survey, slope, level)
    lines = density.densities[density.span((1 - AROUND) * offset, (1 + AROUND) * offset, name=survey.name)]
    phase = square(2 * math.pi * density.carrier) * float(lines.mean())
    if phase == 0:
        raise NotMeasurable(f"`{survey.name}`: its edges have no noise", expected="edges that differ")
    return Reading(
        10 * log10(phase / 2),
        "dBc/Hz",
        uncertainty=DB_OF_RATIO * math.sqrt(SPREAD / lines.size),
        doubts=doubts,
        count=lines.size,
    )


@metric("phase_jitter", reads=Reads.EDGES, unit="s", source=SOURCE, reads_levels=True)
def phase_jitter(
    survey: Survey,
    *,
    lowest: Annotated[float, "Hz", POSITIVE],
    highest: Annotated[float, "Hz", POSITIVE],
    slope: Edge = "rising",
    level: ReferenceLevel = MIDDLE,
) -> Reading:
    """Phase jitter of a clock: rms of its time interval error in a band of offsets from its frequency.

    Definition
    ----------
    √(∫ Sx df) from `lowest` to `highest`, Sx the one-sided density of the time interval errors of the edges.

    Parameters
    ----------
    lowest, highest : ends of the band of offsets, Hz.
    slope, level : where a period begins.

    Raises
    ------
    NotMeasurable : offsets that the record does not bear.
    """
    density, doubts, resolution = _density(survey, slope, level)
    lines = density.densities[density.span(lowest, highest, name=survey.name)]
    width = (highest - lowest) / lines.size  # that of a line, but for the broken ones at the ends
    value = math.sqrt(float(lines.sum()) * width)
    scatter = math.sqrt(SPREAD * inner(lines, lines)) * width / (2 * value) if value else 0.0
    resolution *= math.sqrt((highest - lowest) / (density.carrier / 2))  # its share in this band
    return Reading(value, "s", uncertainty=math.hypot(scatter, resolution), doubts=doubts, count=lines.size)


def _density(survey: Survey, slope: Edge, level: ReferenceLevel) -> tuple[TimeErrorDensity, tuple[Doubt, ...], float]:
    """The density, what speaks against the edges, and how well they are known, s."""
    trend = jitter_trend(survey, slope=slope, level=level)
    found = edges(survey, level)
    places = found.rising_places if slope == "rising" else found.falling_places
    since = found.rising_since if slope == "rising" else found.falling_since  # keeps digits where the record is late
    period = float(since[-1] - since[0]) / (since.size - 1)
    resolution = instant_resolution(survey, places) / math.sqrt(3)
    return time_error_density(trend.deviations, period), period_doubts(survey, np.diff(places)), resolution
