"""Noise of the input in extremes: the largest of many samples is too large by what the input's own noise adds to it.

A metric that is an extreme shows noise as it is: whether it belongs to the line or to the input, the record does not
say, but what is stated of the input does. The part of the input is not taken off, since the metric is the largest
sample and nothing else: the interval reaches as far as that part is likely to.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

from wavewright.analysis.doubts import EXTREMES, Reads
from wavewright.analysis.levels.extreme_lift import SCATTER_OF_LARGEST, lift_of_extreme, lift_of_span
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.influences import InputOfReading


def noise_of_input(parts: Collection[Reads], inputs: Sequence[InputOfReading]) -> tuple[list[Contribution], str]:
    """What the input's noise makes of a metric of extremes, and what is missing where it is not stated.

    Parameters
    ----------
    parts : what the metric reads; nothing else than extremes, or there is no such contribution.
    """
    read = frozenset(parts)
    if not read or not read <= EXTREMES or len(inputs) != 1:
        return [], ""
    one = inputs[0]
    shown = one.survey.noise
    if not shown:
        return [], ""
    floor = one.stated.noise_floor
    stated = None if floor is None else floor.limit(one.full_scale)
    if stated is None:
        return [], f"noise of `{one.survey.name}`"
    # the record shows no less than the input makes, and rounding to codes
    noise = min(math.hypot(stated, one.survey.record.step / math.sqrt(12)), shown)
    if read == EXTREMES:
        word, ends, lift = "span", 2, lift_of_span(one.survey, noise=noise)
    else:
        highest = Reads.HIGHEST in read
        word, ends = "highest" if highest else "lowest", 1
        lift = lift_of_extreme(one.survey, highest=highest, noise=noise)
    # the lift is the same in every shot, so that no mean of shots makes it less; its scatter is not
    shared = Contribution(
        "lift of extremes by noise of the input", lift, key=f"{one.key}:noise:{word}", source=one.stated.source
    )
    scatter = math.sqrt(ends) * SCATTER_OF_LARGEST * noise
    return [shared, Contribution("scatter of extremes by noise of the input", scatter, source=one.stated.source)], ""
