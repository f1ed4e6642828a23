"""Two records on one time axis: the samples that both have."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wavewright.analysis.record.gapless import unbroken
from wavewright.analysis.signals.resampling import together
from wavewright.analysis.signals.signals import ChannelSignal, Signal
from wavewright.errors import NotMeasurable

if TYPE_CHECKING:
    from wavewright.analysis.record.survey import Survey
    from wavewright.waveform import Waveform

LARGEST_SLIP = 0.01  # of an interval: what the sampling instants of two channels of one record may differ by


def aligned(
    first: Survey, second: Survey, *, least: int = 2, may_be_constant: bool = False
) -> tuple[Waveform, Waveform]:
    """Both waveforms over the time that they share, sample beside sample; views, not copies.

    A second one whose instants lie between those of the first, as a skew that is corrected puts them, is interpolated.

    Raises
    ------
    NotMeasurable : different sample intervals, invalid samples inside, or fewer than `least` samples in common.
    """
    waves = [unbroken(survey, least=least, may_be_constant=may_be_constant) for survey in (first, second)]
    one, other = waves
    if abs(one.interval - other.interval) * max(len(one), len(other)) > LARGEST_SLIP * one.interval:
        raise NotMeasurable(
            f"`{first.name}` is sampled every {one.interval:g} s, `{second.name}` every {other.interval:g} s",
            expected="the same interval",
            do="resample one of them",
        )
    shift = (other.start - one.start) / one.interval
    whole = round(shift)
    if abs(shift - whole) > LARGEST_SLIP:
        (_, moved) = together((ChannelSignal(one), ChannelSignal(other)))
        assert isinstance(moved, Signal)
        other = moved.waveform(unit=other.unit, name=other.name)
        whole = round((other.start - one.start) / one.interval)
    begin = max(0, whole)
    end = min(len(one), whole + len(other))
    if end - begin < least:
        raise NotMeasurable(
            f"`{first.name}` and `{second.name}` share {max(0, end - begin)} samples",
            expected=f"at least {least}",
            do="take both in one record",
        )
    return one.part(begin, end), other.part(begin - whole, end - whole)


def require_shared_time(first: Survey, *others: Survey) -> None:
    """Refuse records that lie beside each other on the time axis: what is between them is not what was measured.

    Raises
    ------
    NotMeasurable : there is no time that all of them cover.
    """
    one = first.wave
    for other in (survey.wave for survey in others):
        ahead = other.start - one.start
        if not -other.duration < ahead < one.duration:
            raise NotMeasurable(
                f"`{first.name}` lasts from {one.start:g} s for {one.duration:g} s, `{other.label}` from "
                f"{other.start:g} s for {other.duration:g} s",
                expected="records with some time in common",
                do="take both in one record",
            )
