"""Counting again: a number of things is exact in its record, unless the levels that it was counted at are not.

What is counted at a level (edges, pulses, frames) is counted once more with every input at the ends of what is stated
of it: gain and offset of an input together, at all four corners, since a level moves most where both go one way; then
time base and delays. Where the number stays the same it has no uncertainty; where it does not, the numbers that were
found bound it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from wavewright.analysis.doubts import Doubt, Finding
from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.affine import Affine, Change, Evaluate
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.influences import (
    NO_FURTHER,
    Direction,
    Influence,
    Influences,
    InputOfReading,
    Way,
    influences_of,
)

COUNTS = "count"
FARTHER = 10.0  # times the step that shows of any other reading whether it depends on what is not stated
EXACT = "a number of things: counted again at the ends of all that is stated of the inputs, it is the same"
OF_NORMAL = 2.0  # standard uncertainties: the ends of what has none (JCGM 100:2008, G.2.1, about 95 %)


@dataclass(frozen=True, slots=True)
class Corner:
    """One combination of errors at their ends, and which inputs and ways it is of.

    `is_stated` : False for a step along something of which nothing is stated, to see whether the number depends on it.
    """

    name: str
    change: Change
    is_stated: bool = True


def corners_of(inputs: Sequence[InputOfReading], *, further: Influences = NO_FURTHER) -> list[Corner]:
    """Everything that a number is counted at once more.

    Parameters
    ----------
    inputs : the captured channels that it was counted on.
    further : errors that are not of one of the inputs.
    """
    stated, unstated = influences_of(inputs)
    found = list(_ends([*stated, *further.stated]))
    for one in (*unstated, *further.unstated):
        steps = (sign * FARTHER * one.step for sign in (1.0, -1.0))
        found += [Corner(one.name, one.direction.change(step), is_stated=False) for step in steps]
    return found


def counted_again(
    reading: Reading, inputs: Sequence[InputOfReading], evaluate: Evaluate, *, further: Influences = NO_FURTHER
) -> Reading:
    """A number of things with its budget, and with a doubt where it depends on the accuracy of the inputs.

    Parameters
    ----------
    evaluate : the number on changed waveforms of them. The others are those of `corners_of`.
    """
    return recounted(reading, [(one, evaluate(one.change)) for one in corners_of(inputs, further=further)])


def recounted(reading: Reading, found: Iterable[tuple[Corner, float | None]]) -> Reading:
    """The same from numbers that were counted already, one at each corner; None where nothing could be counted."""
    assert reading.value is not None
    value, low, high = reading.value, reading.value, reading.value
    lost: list[str] = []
    missing: list[str] = []
    for corner, number in found:
        if not corner.is_stated:
            missing += [] if number == value else [corner.name]
        elif number is None or not math.isfinite(number):
            lost.append(corner.name)
        else:
            low, high = min(low, number), max(high, number)
    below, above = value - low, high - value
    reach = max(below, above)
    exact = "" if reach or lost or missing else EXACT
    contributions = [_between(low, high, reach)] if reach else []
    budget = Budget(value, reading.unit, tuple(contributions), tuple(missing), exact)
    counted = replace(reading, budget=budget)
    if lost:
        text = f"with the {' and '.join(dict.fromkeys(lost))} at an end of what is stated there is nothing to count"
        return _doubted(counted, Finding(Doubt.DEPENDS_ON_ACCURACY, text))
    if not reach:
        return counted
    text = f"within the stated accuracy it is {low:g} to {high:g}"
    return _doubted(counted, Finding(Doubt.DEPENDS_ON_ACCURACY, text, below, above, decides=False))


def _between(low: float, high: float, reach: float) -> Contribution:
    return Contribution(
        "number that is found within the stated accuracy",
        reach / math.sqrt(3),
        distribution=Distribution.RECTANGULAR,
        source=f"{low:g} to {high:g}",
    )


def _doubted(reading: Reading, finding: Finding) -> Reading:
    return replace(reading, doubts=(*reading.doubts, finding.doubt), findings=(*reading.doubted, finding))


def _ends(stated: Iterable[Influence]) -> Iterator[Corner]:
    """The ends of all errors: by input the four of gain and offset, two of every time base and every delay."""
    reach: dict[Direction, float] = {}
    for influence in stated:
        end = math.sqrt(3) if influence.distribution is Distribution.RECTANGULAR else OF_NORMAL
        for direction, amount in influence.along:
            reach[direction] = reach.get(direction, 0.0) + end * abs(amount)
    levels = dict.fromkeys(one.inputs for one in reach if one.way in (Way.GAIN, Way.OFFSET))
    for names in levels:
        gain, offset = (reach.get(Direction(way, names), 0.0) for way in (Way.GAIN, Way.OFFSET))
        words = f"gain and offset of {' and '.join(f'`{name}`' for name in names)}"
        ends = [(sign * gain, other * offset) for sign in (1, -1) for other in (1, -1)]
        for by_gain, by_offset in dict.fromkeys(ends):
            if by_gain or by_offset:
                yield Corner(words, dict.fromkeys(names, Affine(gain=1 + by_gain, offset=by_offset)))
    for direction, amount in reach.items():
        if direction.way not in (Way.GAIN, Way.OFFSET) and amount:
            words = f"{direction.way} of {' and '.join(f'`{name}`' for name in direction.inputs)}"
            yield from (Corner(words, direction.change(sign * amount)) for sign in (1.0, -1.0))
