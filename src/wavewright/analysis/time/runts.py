"""Runts: pulses that leave one state and turn back before they have reached the other."""

from __future__ import annotations

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.parameters import ReferenceLevel
from wavewright.analysis.reading import Occurrences, Reading
from wavewright.analysis.record.interleaving import places_among
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.time.edges import told_noise
from wavewright.analysis.time.pulses import Polarity
from wavewright.errors import Misuse
from wavewright.waveform import Floats

LOW = ReferenceLevel(0.3, is_ratio=True)
HIGH = ReferenceLevel(0.7, is_ratio=True)


@metric(
    "runts",
    reads=(Reads.COUNTS, Reads.TRANSITIONS),
    unit="count",
    source="definition is ours, in the trade's sense of the word",
    reads_levels=True,
)
def runts(
    survey: Survey,
    *,
    polarity: Polarity = Polarity.EITHER,
    low: ReferenceLevel = LOW,
    high: ReferenceLevel = HIGH,
) -> Reading:
    """Runts: number of pulses that pass one reference level and come back without passing the other; with times.

    Drawing
    -------
      high ┈┈┈╭─╮┈┈┈┈┈┈┈┈┈┈╭─╮┈┈
              │ │   ╭─╮    │ │
      low  ┈┈┈┼┈┼┈┈┈┼┈┼┈┈┈┈┼┈┼┈┈
           ───╯ ╰───╯ ╰────╯ ╰──
                    runt (positive)

    Each occurrence is the instant at which the runt leaves its state.

    Raises
    ------
    NotMeasurable : no valid sample, or levels that are ratios and no states.
    """
    _ = survey.extremes
    at_low, at_high = survey.level(low), survey.level(high)
    if not at_low < at_high:
        raise Misuse(f"low reference level {low} is not below the high one {high}")
    lower, upper = survey.crossings(at_low), survey.crossings(at_high)
    found: list[Floats] = []
    if polarity is not Polarity.NEGATIVE:
        found.append(_turned_back(lower.rising_places, lower.falling_places, upper.rising_places))
    if polarity is not Polarity.POSITIVE:
        found.append(_turned_back(upper.falling_places, upper.rising_places, lower.falling_places))
    times = survey.wave.start + survey.wave.interval * np.sort(np.concatenate(found))
    return Reading(
        float(times.size),
        "count",
        count=times.size,
        occurrences=Occurrences(times, np.ones(times.size)),
        doubts=told_noise(survey, lower),
    )


def _turned_back(leaves: Floats, returns: Floats, arrives: Floats) -> Floats:
    """Places where the waveform leaves a state and returns to it before it has arrived at the other."""
    back = places_among(returns, leaves)
    leaves, back = leaves[back < returns.size], back[back < returns.size]
    until = returns[back]
    arrived = np.append(arrives, np.inf)[places_among(arrives, leaves)] < until
    return leaves[~arrived]
