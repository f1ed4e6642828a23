"""Noise of the input in an rms: it adds in squares, so that a reading is never too small, on a quiet line too large.

How much of it a metric takes in is tried and not stated: noise is added to the record once more, and taken away once
more. What the square of the reading then gains, on the average of both, is what the noise that is in it has added. The
value is not corrected, since a metric is what it is of all samples: the interval reaches down to what it would be
without the input's own noise, and as far up.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.uncertainty.affine import Evaluate
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.influences import InputOfReading
from wavewright.waveform import Waveform

OVER_ALL = frozenset({Reads.SAMPLES, Reads.SPECTRUM})
MOST_SAMPLES = 1 << 17  # on which noise is added
NEGLIGIBLE = 0.05  # of the standard uncertainty without it: 1 in 800 of what it becomes


@dataclass(frozen=True, slots=True)
class AddedNoise:
    """White noise of this rms, in the waveform's unit; with its sign changed it is the same noise. 0 adds nothing."""

    rms: float

    def of(self, wave: Waveform) -> Waveform:
        """The first samples of the waveform with the noise; chance comes from the codes themselves."""
        codes = wave.codes[:MOST_SAMPLES]
        draw = np.random.default_rng(zlib.crc32(np.ascontiguousarray(codes).tobytes()))
        noise = self.rms / wave.gain * draw.standard_normal(codes.size)
        return replace(wave, codes=codes.astype(np.float64) + noise, code_range=None)

    def survey(self, survey: Survey) -> Survey:
        """The survey of that."""
        return survey.once(("with noise", self), lambda: Survey(self.of(survey.wave), survey.choice))


def noise_in_squares(
    value: float,
    unit: str,
    parts: Collection[Reads],
    inputs: Sequence[InputOfReading],
    evaluate: Evaluate,
    *,
    standard: float,
) -> tuple[list[Contribution], str]:
    """What the noise of the input adds to a reading over all samples, and what is missing where it is not stated.

    Parameters
    ----------
    standard : standard uncertainty without it: what is far below it is left out.
    """
    if len(inputs) != 1 or not OVER_ALL & set(parts) or not value:
        return [], ""
    one = inputs[0]
    shown = one.survey.noise
    if not shown or not unit.startswith(one.survey.unit):
        return [], ""
    floor = one.stated.noise_floor
    stated = None if floor is None else floor.limit(one.full_scale)
    # the record shows no less than the input makes, and rounding to codes
    noise = shown if stated is None else min(math.hypot(stated, one.survey.record.step / math.sqrt(12)), shown)
    if unit == one.survey.unit and _excess(value, square(noise)) <= NEGLIGIBLE * standard:
        return [], ""
    found = [evaluate({one.name: AddedNoise(rms)}) for rms in (0.0, noise, -noise)]
    plain, more, less = (math.nan if number is None else number for number in found)
    gained = (square(more) + square(less)) / 2 - square(plain)
    if not gained > 0:
        return [], ""
    excess = _excess(value, gained)
    if excess <= NEGLIGIBLE * standard:
        return [], ""
    if stated is None:
        return [], f"noise of `{one.survey.name}`"
    name, key = f"noise of the input in the reading of `{one.survey.name}`", f"{one.key}:noise:squares"
    return [Contribution(name, excess, key=key, source=one.stated.source)], ""


def _excess(value: float, gained: float) -> float:
    """How much larger a reading is for something that its square has gained."""
    return abs(value) - math.sqrt(max(0.0, square(value) - gained))
