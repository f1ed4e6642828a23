"""The unbroken stretch of a record: what spectra, fits and correlation need, since they know no missing sample."""

from __future__ import annotations

import numpy as np

from wavewright.analysis.kept import kept
from wavewright.analysis.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.waveform import Waveform


def unbroken(survey: Survey, *, least: int) -> Waveform:
    """The waveform without invalid samples at its ends; the codes are a view, not a copy.

    Parameters
    ----------
    least : fewest samples that will do.

    Raises
    ------
    NotMeasurable : an invalid sample between valid ones, fewer than `least` samples, or all of them the same code.
    """
    return kept(survey, ("unbroken", least), lambda: _unbroken(survey, least))


def _unbroken(survey: Survey, least: int) -> Waveform:
    wave = survey.wave
    first, last = _valid_span(survey)
    if last - first < least:
        raise NotMeasurable(
            f"`{survey.name}`: {last - first} valid samples",
            expected=f"at least {least}",
            do="lengthen `span` or raise `rate`",
        )
    codes = wave.codes[first:last]
    lowest = codes.min()
    if lowest == codes.max():  # not by the survey's extremes: a histogram costs more than a spectrum may
        raise NotMeasurable(
            f"`{survey.name}`: constant at {wave.value_of(lowest):g} {wave.unit}",
            expected="a waveform that varies",
            do="check that the signal is there, or make `range` smaller",
        )
    if first == 0 and last == len(wave):
        return wave
    return Waveform(
        codes,
        gain=wave.gain,
        offset=wave.offset,
        interval=wave.interval,
        start=wave.time_of(first),
        unit=wave.unit,
        name=wave.name,
        code_range=wave.code_range,
    )


def _valid_span(survey: Survey) -> tuple[int, int]:
    """Index of the first valid sample, and the index behind the last one."""
    codes = survey.wave.codes
    if codes.dtype.kind != "f":
        return 0, codes.size
    is_valid = np.isfinite(codes)
    if not is_valid.any():
        return 0, 0
    first, last = int(is_valid.argmax()), codes.size - int(is_valid[::-1].argmax())
    if not is_valid[first:last].all():
        holes = last - first - int(np.count_nonzero(is_valid[first:last]))
        raise NotMeasurable(
            f"`{survey.name}`: {holes} invalid samples inside the record",
            expected="a record without holes",
            do="take the record again, or cut it at the hole",
        )
    return first, last
