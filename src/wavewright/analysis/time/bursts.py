"""Bursts: groups of edges with pauses between them."""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE
from wavewright.analysis.time.crossing_resolution import difference_resolution, noise_of_instant
from wavewright.analysis.time.edges import MIDDLE, edges, noise_doubts, too_few
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Floats

PAUSE = 3.0  # medians of the distances between edges


@metric("burst_width", reads=Reads.EDGES, unit="s", source="common practice, no source", reads_levels=True)
def burst_width(
    survey: Survey, *, pause: Annotated[float, "s", POSITIVE] | None = None, level: ReferenceLevel = MIDDLE
) -> Reading:
    """Burst width: from the first to the last edge of a group of edges, mean of all whole groups.

    Drawing
    -------
          ┌┐┌┐┌┐          ┌┐┌┐┌┐
      ────┘└┘└┘└──────────┘└┘└┘└───
          ├────┤├─ pause ─┤
          burst width

    A pause is longer than `pause`: three times the median distance between edges if it is left out. A group that is
    nearer than that to an end of the record may go on beyond it, and is left out.

    Raises
    ------
    NotMeasurable : no edge, or no group with a pause on either side.
    """
    found = edges(survey, level)
    places = found.either_places
    if places.size < 2:
        raise too_few(survey, found, level, expected="at least two")
    begins, ends = _whole_groups(places, len(survey) - 1, _pause(survey, places, pause))
    if not begins.size:
        raise NotMeasurable(
            f"`{survey.name}`: no group among {places.size} edges has a pause before it and after it",
            expected="at least one whole burst",
            do="lengthen the record, or give a shorter `pause`",
        )
    return Reading.of_occurrences(
        survey.wave.interval * (ends - begins),
        times=survey.wave.start + survey.wave.interval * begins,
        unit="s",
        doubts=noise_doubts(survey),
        resolution=difference_resolution(survey, begins),
        single=math.sqrt(2) * noise_of_instant(survey, begins),
    )


def _pause(survey: Survey, places: Floats, pause: float | None) -> float:
    """The shortest pause, in samples."""
    if pause is None:
        return PAUSE * float(np.median(np.diff(places)))
    if pause <= 0:
        raise Misuse(f"`pause` is {pause:g} s", expected="more than 0 s")
    return pause / survey.wave.interval


def _whole_groups(places: Floats, last: float, pause: float) -> tuple[Floats, Floats]:
    breaks = np.flatnonzero(np.diff(places) > pause)
    begins, ends = places[np.append(0, breaks + 1)], places[np.append(breaks, places.size - 1)]
    whole = (begins > pause) & (last - ends > pause)
    return begins[whole], ends[whole]
