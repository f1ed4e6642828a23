"""A stretch of a record: the samples from one time to another, as a view."""

from __future__ import annotations

import math
from dataclasses import replace

from wavewright.analysis.survey import Survey
from wavewright.analysis.unbroken import require_unbroken
from wavewright.waveform import Waveform


def stretch(
    survey: Survey, *, least: int, after: float | None = None, until: float | None = None, may_be_constant: bool = False
) -> Waveform:
    """The samples from `after` to `until`, s, both included; without bounds the whole record.

    Raises
    ------
    NotMeasurable : fewer than `least` samples there, an invalid one among them, or a constant unless that may be.
    """
    wave = survey.wave
    first, last = 0, len(wave)
    if after is not None:
        first = min(last, max(0, math.ceil((after - wave.start) / wave.interval - 1e-9)))
    if until is not None:
        last = max(first, min(last, math.floor((until - wave.start) / wave.interval + 1e-9) + 1))
    return require_unbroken(part_of(wave, first, last), least=least, may_be_constant=may_be_constant)


def part_of(wave: Waveform, first: int, last: int) -> Waveform:
    """Samples `first` up to, and without, `last`, as a waveform on the same time axis; a view."""
    return replace(wave, codes=wave.codes[first:last], start=wave.time_of(first))
