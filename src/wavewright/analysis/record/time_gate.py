"""A segment of a record: the samples from one time to another, as a view."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from wavewright.analysis.record.gapless import require_unbroken

if TYPE_CHECKING:
    from wavewright.analysis.record.survey import Survey
    from wavewright.waveform import Waveform


def segment(
    survey: Survey, *, least: int, after: float | None = None, until: float | None = None, may_be_constant: bool = False
) -> Waveform:
    """The samples from `after` to `until`, s, both included; without bounds the whole record.

    Raises
    ------
    NotMeasurable : fewer than `least` samples there, an invalid one among them, or a constant unless that may be.
    """
    begin, end = (
        None if time is None else (time - survey.wave.start) / survey.wave.interval for time in (after, until)
    )
    return between(survey, begin, end, least=least, may_be_constant=may_be_constant)


def between(
    survey: Survey, begin: float | None, end: float | None, *, least: int, may_be_constant: bool = False
) -> Waveform:
    """The same between two places in samples, from the first of the record, not rounded."""
    wave = survey.wave
    first, last = 0, len(wave)
    if begin is not None:
        first = min(last, max(0, math.ceil(begin - 1e-9)))
    if end is not None:
        last = max(first, min(last, math.floor(end + 1e-9) + 1))
    return require_unbroken(wave.part(first, last), least=least, may_be_constant=may_be_constant)
