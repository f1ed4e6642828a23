"""Glitches: pulses narrower than pulses are meant to be."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Doubt, Finding, Reads
from wavewright.analysis.elementary.median import median
from wavewright.analysis.parameters import Hysteresis, ReferenceLevel
from wavewright.analysis.reading import Occurrences, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE
from wavewright.analysis.time.edges import MIDDLE, edges, told_noise
from wavewright.analysis.time.pulses import Polarity, Pulses, find_pulses
from wavewright.errors import Misuse, NotMeasurable
from wavewright.quantities import show_quantity

SHARE_OF_MEDIAN = 0.25
NARROWEST = 2.0  # sample intervals; a pulse of fewer may lie between two samples, and shows wider if it does not


@metric("glitches", reads=Reads.COUNTS, unit="count", source="common practice, no source", reads_levels=True)
def glitches(
    survey: Survey,
    *,
    width: Annotated[float, "s", POSITIVE] | None = None,
    polarity: Polarity = Polarity.EITHER,
    level: ReferenceLevel = MIDDLE,
    hysteresis: Hysteresis | None = None,
) -> Reading:
    """Glitches: number of pulses narrower than a width, with the time of each.

    Drawing
    -------
         ┌─────┐     ╷     ┌─────┐
      ┈┈┈┼┈┈┈┈┈┼┈┈┈┈┈┼┈┈┈┈┈┼┈┈┈┈┈┼┈┈  level
      ───┘     └─────┴─────┘     └──
                     glitch

    If `width` is left out, a quarter of the median width of the pulses of the same polarity. A glitch that does not
    pass the level is a runt, or needs a `level` nearer to the state that it leaves. A width of fewer than two sample
    intervals is doubted: such pulses are not all in the record.

    Raises
    ------
    NotMeasurable : no valid sample.
    """
    _ = survey.extremes
    if width is not None and width <= 0:
        raise Misuse(f"`width` is {width:g} s", expected="more than 0 s")
    try:
        found = edges(survey, level, hysteresis)
    except NotMeasurable:  # a constant
        return Reading(0.0, "count", count=0)
    sides = (Polarity.POSITIVE, Polarity.NEGATIVE) if polarity is Polarity.EITHER else (polarity,)
    pulses = [(one, _limit(survey, one, width)) for one in (find_pulses(found, side) for side in sides)]
    begins = np.sort(np.concatenate([one.begins[one.lengths < limit] for one, limit in pulses]))
    unseen = _unseen(survey, [limit for _, limit in pulses])
    times = survey.wave.start + survey.wave.interval * begins
    return Reading(
        float(times.size),
        "count",
        count=times.size,
        occurrences=Occurrences(times, np.ones(times.size)),
        doubts=(*told_noise(survey, found), *(one.doubt for one in unseen)),
        findings=unseen,
    )


def _limit(survey: Survey, pulses: Pulses, width: float | None) -> float:
    """Below how many sample intervals a pulse is too narrow; not a number where there is no pulse to compare with."""
    if width is not None:
        return width / survey.wave.interval
    if not pulses.lengths.size:
        return math.nan
    shortest, longest = float(pulses.lengths.min()), float(pulses.lengths.max())
    if shortest >= SHARE_OF_MEDIAN * longest and SHARE_OF_MEDIAN * shortest >= NARROWEST:
        return SHARE_OF_MEDIAN * shortest  # no pulse is narrower, nor than the limit by the median
    return SHARE_OF_MEDIAN * median(pulses.lengths)


def _unseen(survey: Survey, limits: Iterable[float]) -> tuple[Finding, ...]:
    """That pulses which are to be counted may lie between the samples: there may be more, and never fewer."""
    narrowest = min((limit for limit in limits if limit < NARROWEST), default=None)
    if narrowest is None:
        return ()
    interval = show_quantity(survey.wave.interval, "s")
    text = (
        f"pulses below {show_quantity(narrowest * survey.wave.interval, 's')} are counted, at a sample each {interval}"
    )
    return (Finding(Doubt.FEW_SAMPLES, text, below=0.0),)
