"""Quantisation: what is left of the error of a code step where noise spreads the samples over several codes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from wavewright.analysis.elementary.exponentials import exp, square

if TYPE_CHECKING:
    from wavewright.analysis.record.record import Record
    from wavewright.analysis.record.survey import Survey


def share_of_step(survey: Survey) -> float:
    """Share of the error of rounding to codes that all samples of one value have in common, 0 … 1.

    Noise of standard deviation σ leaves exp(−2π²σ²/q²) of the error of a step q (math: the characteristic function of
    the noise at the first harmonic of the quantiser's error); the rest is scatter. 1 of values that were never
    quantised, which have no such error at all.
    """
    return survey.once("share of step", lambda: _share(survey.record))


def _share(record: Record) -> float:
    if not record.step:
        return 1.0
    # what the noise was found from contains the rounding to codes itself, of variance q²/12 (JCGM 100:2008, 4.3.7)
    surplus = max(0.0, square(record.noise / record.step) - 1 / 12)
    return exp(-2 * square(math.pi) * surplus)
