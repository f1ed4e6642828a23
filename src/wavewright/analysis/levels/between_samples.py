"""Between the samples: how far a peak may rise beyond the highest sample that it left.

A peak of few samples has its top between two of them. Two curves through the samples about it say how high that may be:
the straight lines of its two flanks meet at most so high (a triangle has its corner there), and a parabola through the
three highest samples is about as high as a rounded top is (math, both). What the slopes turn by at the very top, beyond
what they turn by beside it, tells a corner from a rounded top. The smaller of the two bounds counts: a flat state
beside an edge has none, and noise has hardly any, since it lifts one sample above both of its neighbours. How they are
joined is ours: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.record.blocks import FLAGS_BLOCK, spans

if TYPE_CHECKING:
    from wavewright.analysis.record.survey import Survey
    from wavewright.waveform import Codes

LEAST_MISSED = 0.1  # of the peak to peak
NOISE_OF_RISE = 2.0  # standard deviations: so much may come of noise alone
LEAST_OF_NOISE = 5.5  # standard deviations from the lowest to the highest of a hundred normal values or more
BESIDE = 3  # samples to either side that are looked at
FEWEST = 5  # samples that a record must have
MOST_PLACES = 16  # of one extreme: the largest of what each may have missed counts


def missed_at(codes: Codes, place: int, *, upward: bool) -> float:
    """How far the waveform may lie beyond the extreme sample at a place, in codes.

    Parameters
    ----------
    codes : of the record. upward : the sample is a highest one, and not a lowest.
    """
    if codes.size < FEWEST or not 0 < place < codes.size - 1:
        return 0.0  # what is beyond the record's end is not of the record
    first, end = max(0, place - BESIDE), min(codes.size, place + BESIDE + 1)
    beside = codes[first:end].astype(np.float64)
    heights = (beside if upward else -beside).tolist()
    for _ in range(place + BESIDE + 1 - end):  # beyond the end as the last three samples go on (math: a parabola)
        heights.append(3 * heights[-1] - 3 * heights[-2] + heights[-3])
    for _ in range(BESIDE - (place - first)):
        heights.insert(0, 3 * heights[0] - 3 * heights[1] + heights[2])
    return max(_beyond(heights), _beyond(heights[::-1]))


def missed_beyond(survey: Survey, code: float, *, upward: bool) -> float:
    """The same of the extreme of a whole record, whose code is given; in the waveform's unit.

    Parameters
    ----------
    upward : the code is the highest of the record, and not the lowest.
    """
    record = survey.as_captured.record
    key = ("missed between samples", code, upward)
    found: float = record.shared.once(
        key,
        lambda: max(missed_at(record.codes, one, upward=upward) for one in _places(record.codes, code, upward=upward)),
    )
    return abs(survey.wave.gain) * found


def is_noticeable(survey: Survey, missed: float, *, ends: int = 1) -> bool:
    """Whether what may have been missed at its ends matters: over 10 % of the peak to peak, a code step and noise.

    What changes from sample to sample of a waveform of few samples per period counts as noise too; but no noise keeps
    within so few of its standard deviations. Of a clipped waveform more has been missed than can be said.
    """
    if any(survey.record.clipped):
        return False
    lowest, highest = survey.extremes
    span, noise = abs(survey.wave.gain) * (highest - lowest), survey.noise
    of_noise = ends * NOISE_OF_RISE * noise if span > LEAST_OF_NOISE * noise else 0.0
    return missed > max(LEAST_MISSED * span, survey.record.step, of_noise)


def _places(codes: Codes, code: float, *, upward: bool) -> Iterable[int]:
    """The first samples of an extreme code, those of one block."""
    is_whole = codes.dtype.kind in "iu"
    for begin, end in spans(0, codes.size, FLAGS_BLOCK):
        block = codes[begin:end]
        if is_whole and (block.max() if upward else block.min()) != code:  # a third of the time of a comparison
            continue
        found = np.flatnonzero(block == code)
        if found.size:
            return (begin + found[:MOST_PLACES]).tolist()  # type: ignore[no-any-return]
    return [0]


def _beyond(heights: list[float]) -> float:
    """How far the top may lie above the sample in the middle, where it is between that one and the next."""
    earlier, before, top, after, later, last = heights[1:7]
    rise, fall = top - before, max(0.0, after - later)
    if rise <= 0:
        return 0.0
    to_meet = min(1.0, max(0.0, (after + fall - top) / (rise + fall)))
    corner = rise * to_meet
    bend, next_bend = 2 * top - before - after, 2 * after - top - later
    around = max(0.0, (2 * before - earlier - top + 2 * later - after - last) / 2)
    rounded = square(after - before) / (8 * bend) if bend > 0 else 0.0
    return min(corner, rounded + max(0.0, bend + next_bend - 2 * around) / 4)
