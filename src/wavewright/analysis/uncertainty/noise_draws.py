"""Noise draws: what the noise of a record makes of a reading whose metric does not know it (JCGM 101:2008, 7 †).

The noise that was measured is added to the record once more, and the metric computed again: the readings scatter as
they do from record to record. Chance comes from the codes themselves, so that the same record gives the same draws.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from wavewright.analysis.record.noise import noise_code
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.uncertainty.affine import Change
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.waveform import Waveform

DRAWS = 16
MOST_SAMPLES = 1 << 17  # of all waveforms of a reading together; longer records are not drawn
ROUNDING_OF_A_CODE = 1 / math.sqrt(12)  # standard deviation of what rounding to whole codes does (math)


@dataclass(frozen=True, slots=True)
class NoiseDraw:
    """Once more the noise that a waveform has; `number` says which draw."""

    number: int

    def of(self, wave: Waveform) -> Waveform:
        """The waveform with noise added; whole codes stay whole, and within what their type holds."""
        codes = wave.codes
        is_whole = codes.dtype.kind in "iu"
        sigma = math.hypot(noise_code(codes), ROUNDING_OF_A_CODE if is_whole else 0.0)
        draw = np.random.default_rng([self.number, zlib.crc32(np.ascontiguousarray(codes).tobytes())])
        noisy = codes + sigma * draw.standard_normal(codes.size)
        if is_whole:
            limits = np.iinfo(codes.dtype)
            noisy = np.clip(np.rint(noisy), limits.min, limits.max)
        return replace(wave, codes=noisy.astype(codes.dtype))

    def survey(self, survey: Survey) -> Survey:
        """The survey of the noisy waveform."""
        return Survey(self.of(survey.wave), survey.choice)


def drawn_noise(
    names: Sequence[str], samples: int, evaluate: Callable[[Change], float | None]
) -> tuple[Contribution | None, str]:
    """The contribution of noise and rounding, and what is missing where it cannot be found out.

    Parameters
    ----------
    names : of the inputs of the reading; samples : of all of them together.
    """
    if samples > MOST_SAMPLES:
        return None, "noise of the record"
    found = [evaluate({name: NoiseDraw(number) for name in names}) for number in range(DRAWS)]
    values = np.array([value for value in found if value is not None and math.isfinite(value)])
    if values.size < DRAWS:
        return None, "noise of the record"
    spread = float(values.std(ddof=1))
    if not spread:
        return None, ""
    return Contribution(
        "noise and resolution of the record",
        spread,
        distribution=Distribution.T,
        degrees_of_freedom=values.size - 1,
        source=f"{values.size} draws of the measured noise",
    ), ""
