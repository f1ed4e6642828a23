"""The unbroken segment of a record: what spectra, fits and correlation need, since they know no missing sample."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.analysis.record.survey import Survey
    from wavewright.waveform import Waveform


def unbroken(survey: Survey, *, least: int, may_be_constant: bool = False) -> Waveform:
    """The waveform without invalid samples at its ends; the codes are a view, not a copy.

    Parameters
    ----------
    least : fewest samples that will do.

    Raises
    ------
    NotMeasurable : an invalid sample between valid ones, fewer than `least` samples, or all of them the same code
        unless that may be.
    """
    key = ("unbroken", least, may_be_constant)
    return survey.once(key, lambda: require_unbroken(survey.wave, least=least, may_be_constant=may_be_constant))


def require_unbroken(wave: Waveform, *, least: int, may_be_constant: bool = False) -> Waveform:
    """The same of a waveform, or of a part of one, that has no survey."""
    first, last = _valid_span(wave)
    if last - first < least:
        raise NotMeasurable(
            f"`{wave.label}`: {last - first} valid samples",
            expected=f"at least {least}",
            do="lengthen `span` or raise `rate`",
        )
    codes = wave.codes[first:last]
    if not may_be_constant:
        lowest = codes.min()
        if lowest == codes.max():  # not by the survey's extremes: a histogram costs more than a spectrum may
            raise NotMeasurable(
                f"`{wave.label}`: constant at {wave.value_of(lowest):g} {wave.unit}",
                expected="a waveform that varies",
                do="check that the signal is present, or make `range` smaller",
            )
    return wave if codes.size == len(wave) else wave.part(first, last)


def _valid_span(wave: Waveform) -> tuple[int, int]:
    """Index of the first valid sample, and the index after the last one."""
    codes = wave.codes
    if codes.dtype.kind != "f":
        return 0, codes.size
    is_valid = np.isfinite(codes)
    if not is_valid.any():
        return 0, 0
    first, last = int(is_valid.argmax()), codes.size - int(is_valid[::-1].argmax())
    if not is_valid[first:last].all():
        holes = last - first - int(np.count_nonzero(is_valid[first:last]))
        raise NotMeasurable(
            f"`{wave.label}`: {holes} invalid samples inside the record",
            expected="a record without holes",
            do="take the record again, or cut it at the hole",
        )
    return first, last
