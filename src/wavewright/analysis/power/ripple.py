"""Ripple of a converter: the part of its output that repeats at the switching frequency, freed of noise and drift."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import EXTREMES, Reads
from wavewright.analysis.elementary.exponentials import log, square
from wavewright.analysis.levels.between_samples import missed_at
from wavewright.analysis.levels.extreme_lift import NEAR, ON_A_CREST, SCATTER_OF_LARGEST, lift_of_largest
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.blocks import spans
from wavewright.analysis.record.gapless import unbroken
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import NOT_NEGATIVE, POSITIVE
from wavewright.analysis.spectrum.tones import find_strongest, tone_doubts
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

MOST_BINS = 64
FEWEST_BINS = 4
NOISY_PART = 0.1
SOURCE = "common practice, no source; math: mean over all periods"


@dataclass(frozen=True, slots=True, eq=False)
class FoldedCycle:
    """One period of a waveform, the mean of all in the record.

    Parameters
    ----------
    means : in the waveform's unit, shape (n,); of the samples in each n-th of the period from the record's begin on.
    deviations : standard uncertainties of these means, in the unit, shape (n,).
    """

    means: Floats
    deviations: Floats
    period: float

    @property
    def uncertainty_of_height(self) -> float:
        """Standard uncertainty of the distance from the lowest to the highest mean, in the unit.

        Noise left in the means makes it larger. The mean over a part of a crest makes it less, by up to a sixth of the
        second difference there (math: a corner in the middle of a part; 1/24 of a parabola's), and a crest between two
        parts makes it less by as much as a peak between two samples; both rectangular.
        """
        ends = (int(self.means.argmax()), int(self.means.argmin()))
        deviation = max(float(self.deviations[end]) for end in ends)  # there a part has no slope that adds to it
        near = [int(np.count_nonzero(np.abs(self.means - self.means[end]) <= NEAR * deviation)) for end in ends]
        bends = [
            abs(float(self.means[end - 1] - 2 * self.means[end] + self.means[(end + 1) % self.means.size]))
            for end in ends
        ]
        lifted = 2 * deviation * math.hypot(lift_of_largest(ON_A_CREST * max(near)), SCATTER_OF_LARGEST / math.sqrt(2))
        around = np.tile(self.means, 3)
        missed = [missed_at(around, end + self.means.size, upward=end == ends[0]) for end in ends]
        return math.hypot(lifted, (sum(bends) / 6 + sum(missed)) / math.sqrt(3))


@metric(
    "switching_frequency",
    reads=Reads.SPECTRUM,
    unit="Hz",
    source="math: interpolated peak of the discrete Fourier transform",
)
def switching_frequency(
    survey: Survey,
    *,
    lowest: Annotated[float, "Hz", NOT_NEGATIVE] | None = None,
    highest: Annotated[float, "Hz", POSITIVE] | None = None,
) -> Reading:
    """Switching frequency: that of the strongest tone of a converter's output.

    Definition
    ----------
    as `strongest_tone`.

    Parameters
    ----------
    lowest, highest : where it is looked for, Hz: keeps mains hum, load steps and ringing out.
    """
    tone = find_strongest(survey, lowest=lowest, highest=highest)
    return Reading(tone.frequency, "Hz", uncertainty=tone.frequency_uncertainty, doubts=tone_doubts(tone))


@metric("ripple", reads=(*EXTREMES, Reads.SPECTRUM), unit="", source=SOURCE)
def ripple(
    survey: Survey,
    *,
    frequency: Annotated[float, "Hz", POSITIVE] | None = None,
    lowest: Annotated[float, "Hz", NOT_NEGATIVE] | None = None,
    highest: Annotated[float, "Hz", POSITIVE] | None = None,
) -> Reading:
    """Ripple: peak-to-peak value of the waveform averaged over all its periods, free of noise and stray spikes.

    Definition
    ----------
    largest less smallest mean, over all periods, of the samples in each n-th of the period.

    `peak_to_peak` says how much ripple and noise there are together.

    Parameters
    ----------
    frequency : of switching, Hz; None: that of the strongest tone.
    lowest, highest : where that is looked for, Hz.

    Returns
    -------
    Reading in the waveform's unit. The period is cut into at most 64 parts, fewer where it has fewer samples; extremes
    narrower than a part are flattened, and noise that is left in the parts makes the reading too large: the uncertainty
    covers both. Doubt `noisy` where noise may have made more than a tenth.
    """
    doubts: tuple[Doubt, ...] = ()
    if frequency is None:
        tone = find_strongest(survey, lowest=lowest, highest=highest)
        frequency, doubts = tone.frequency, tone_doubts(tone)
    cycle = fold(survey, frequency=frequency)
    height = float(cycle.means.max() - cycle.means.min())
    # the highest of n noisy means lies above the true one by about √(2 ln n) of their deviation, the lowest below it
    lifted = 2 * math.sqrt(2 * log(cycle.means.size)) * float(np.median(cycle.deviations))
    if lifted > NOISY_PART * height:
        doubts = (*doubts, *((Doubt.NOISY,) if Doubt.NOISY not in doubts else ()))
    return Reading(height, survey.unit, uncertainty=cycle.uncertainty_of_height, doubts=doubts)


def fold(survey: Survey, *, frequency: float) -> FoldedCycle:
    """The mean period of a waveform at a known frequency, Hz.

    Raises
    ------
    NotMeasurable : invalid samples inside, a constant, less than 2 periods, or fewer than 4 samples in each.
    """
    wave = unbroken(survey, least=2 * FEWEST_BINS)
    step = frequency * wave.interval
    if not (FEWEST_BINS * step <= 1 and len(wave) * step >= 2):
        raise NotMeasurable(
            f"`{survey.name}`: {len(wave) * step:.3g} periods of {frequency:g} Hz in {len(wave)} samples",
            expected=f"at least 2 periods of at least {FEWEST_BINS} samples",
            do="lengthen `span`, or raise `rate`",
        )
    bins = min(MOST_BINS, int(1 / step))
    size = int(math.floor(len(wave) * step + 1e-9) / step + 1e-6)  # whole periods, so that every part has its share
    counts, sums, squares = np.zeros(bins), np.zeros(bins), np.zeros(bins)
    base = wave.value_of(float(wave.codes[0]))
    for first, last in spans(0, size):
        values = wave.values(first, last) - base
        places = np.arange(first, last) * step + 1e-9
        parts = np.minimum(((places - np.floor(places)) * bins).astype(np.int64), bins - 1)
        counts += np.bincount(parts, minlength=bins)
        sums += np.bincount(parts, weights=values, minlength=bins)
        squares += np.bincount(parts, weights=square(values), minlength=bins)
    filled = counts > 0
    counts, sums, squares = counts[filled], sums[filled], squares[filled]
    means = sums / counts
    variances = np.maximum(0.0, squares / counts - square(means)) / np.maximum(1.0, counts - 1)
    return FoldedCycle(base + means, np.sqrt(variances), 1 / frequency)
