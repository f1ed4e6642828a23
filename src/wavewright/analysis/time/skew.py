"""Skew: how far like edges of several channels lie apart."""

from __future__ import annotations

from math import sqrt

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.jitter.jitter import Edge
from wavewright.analysis.parameters import ReferenceLevel, Slope
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.crossing_resolution import resolution_at
from wavewright.analysis.time.delay import delay
from wavewright.analysis.time.edges import MIDDLE, noise_doubts
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

MOST_CHANNELS = 16


@metric("skew", reads=Reads.EDGES, unit="s", source="math: latest less earliest edge", channels=(2, MOST_CHANNELS),
        reads_levels=True)  # fmt: skip
def skew(first: Survey, *others: Survey, slope: Edge = "rising", level: ReferenceLevel = MIDDLE) -> Reading:
    """Skew: from the earliest to the latest of the edges that belong together in all channels, mean of all occasions.

    Drawing
    -------
      first   ───┐     ┌─────
                 └─────┘
      second  ────┐     ┌────
                  └─────┘
      third   ───┐    ┌──────
                 └────┘
                      ├─┤ skew

    Which channel leads does not matter; `delay` says that. Edges belong together as it has it: each other's nearest.

    Parameters
    ----------
    slope : which edges are compared. level : at which all are timed, each by its own states.

    Returns
    -------
    Reading in s, ≥ 0, with smallest and largest skew.

    Raises
    ------
    NotMeasurable : a channel has no such edge, or there is none with a partner in every channel.
    """
    # on an axis that begins with the first record: far from 0 two instants may be rounded to the same number
    origin = first.wave.start
    surveys = [survey.moved(origin) for survey in (first, *others)]
    pairs = [delay(surveys[0], other, slope=Slope(slope), level=level) for other in surveys[1:]]
    late: list[tuple[Floats, Floats]] = [
        (pair.occurrences.times, pair.occurrences.values) for pair in pairs if pair.occurrences is not None
    ]
    shared = late[0][0]
    for times, _ in late[1:]:
        shared = np.intersect1d(shared, times)
    if not shared.size:
        raise NotMeasurable(
            f"`{first.name}`: no {slope} edge with a partner in each of {len(others)} channels",
            expected="at least one",
            do="check levels and channels, or lengthen `span`",
        )
    delays = np.array([np.zeros(shared.size), *(values[np.isin(times, shared)] for times, values in late)])
    noisy = [doubt for survey in surveys for doubt in noise_doubts(survey)]
    doubts = tuple(dict.fromkeys([*noisy, *(doubt for pair in pairs for doubt in pair.doubts)]))
    resolution = max(float(resolution_at(survey, shared, origin=0.0)) for survey in surveys)
    return Reading.of_occurrences(
        delays.max(axis=0) - delays.min(axis=0),
        times=origin + shared,
        unit="s",
        doubts=doubts,
        resolution=sqrt(2) * resolution,
    )
