"""Glitches: pulses narrower than pulses are meant to be."""

from __future__ import annotations

from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.edges import MIDDLE, edges, told_noise
from wavewright.analysis.parameters import Hysteresis, ReferenceLevel
from wavewright.analysis.pulses import Polarity, Pulses, find_pulses
from wavewright.analysis.reading import Occurrences, Reading
from wavewright.analysis.sense import POSITIVE
from wavewright.analysis.survey import Survey
from wavewright.errors import Misuse, NotMeasurable

SHARE_OF_MEDIAN = 0.25


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

    If no `width` is said, a quarter of the median width of the pulses of the same polarity. A glitch that does not pass
    the level is a runt, or needs a `level` nearer to the state that it leaves.

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
    begins = np.sort(np.concatenate([_narrow(survey, find_pulses(found, side), width) for side in sides]))
    times = survey.wave.start + survey.wave.interval * begins
    return Reading(
        float(times.size),
        "count",
        count=times.size,
        occurrences=Occurrences(times, np.ones(times.size)),
        doubts=told_noise(survey, found),
    )


def _narrow(survey: Survey, pulses: Pulses, width: float | None) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Where the pulses begin that are too narrow, in samples."""
    if not pulses.begins.size:
        return pulses.begins
    limit = SHARE_OF_MEDIAN * float(np.median(pulses.lengths)) if width is None else width / survey.wave.interval
    return np.asarray(pulses.begins[pulses.lengths < limit], dtype=np.float64)
