"""Levels that a recipe states in volts and that the record never crosses: a count of 0 there says nothing."""

from __future__ import annotations

from collections.abc import Iterator

from wavewright.analysis.doubts import Doubt, Finding, Reads
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.parameters import Condition, ReferenceLevel
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity

NOT_CROSSED = ("hysteresis", "low_state", "high_state")  # options that are levels, and nothing has to cross


def level_not_reached(read: Read) -> Finding | None:
    """A count, or a time above or below, of 0 at a level beyond all samples."""
    if read.reading.value != 0 or len(read.surveys) != 1 or not read.parts & {Reads.COUNTS, Reads.EDGES}:
        return None
    (survey,) = read.surveys
    levels = list(_stated(read))
    if not levels:
        return None
    try:
        lowest, highest = sorted(survey.wave.value_of(code) for code in survey.extremes)
    except NotMeasurable:
        return None
    step = max((highest - lowest) / 100, survey.record.step)
    for name, level in levels:
        if not lowest <= level <= highest:
            bounds = [show_quantity(one, survey.unit, resolution=step) for one in (lowest, highest)]
            text = (
                f"`{name}` is {show_quantity(level, survey.unit)}, and the record stays between {bounds[0]} and "
                f"{bounds[1]}"
            )
            return Finding(Doubt.LEVEL_NOT_REACHED, text)
    return None


def _stated(read: Read) -> Iterator[tuple[str, float]]:
    for name, option in read.options.items():
        level = option.level if isinstance(option, Condition) else option
        if name not in NOT_CROSSED and isinstance(level, ReferenceLevel) and not level.is_ratio:
            yield name, level.number
