"""Levels that a recipe states where nothing of the signal crosses them: beyond the record, or in a state's noise."""

from __future__ import annotations

from collections.abc import Iterator

from wavewright.analysis.doubts import Doubt, Finding, Reads
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.parameters import Condition, ReferenceLevel
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity

REACH_OF_NOISE = 5.0  # standard deviations; beyond them are 3e-7 of the samples on one side (normal distribution)
NEAR_A_STATE = 0.25  # of the amplitude; further away `noisy` says what there is to say
NOT_CROSSED = ("hysteresis", "low_state", "high_state")  # options that are levels, and nothing has to cross


def level_not_reached(read: Read) -> Finding | None:
    """A count, or a time above or below, of 0 at a level beyond all samples."""
    if read.reading.value != 0 or len(read.surveys) != 1 or not read.parts & {Reads.COUNTS, Reads.EDGES}:
        return None
    (survey,) = read.surveys
    levels = [(name, level.number) for name, level in _stated(read) if not level.is_ratio]
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


def level_in_noise(read: Read) -> Finding | None:
    """A level so near a state of the waveform that the noise there crosses it, and its hysteresis, by itself."""
    if len(read.surveys) != 1 or not read.parts & {Reads.COUNTS, Reads.EDGES}:
        return None
    (survey,) = read.surveys
    stated = list(_stated(read))
    if not stated:
        return None
    try:
        levels = survey.levels
        heights = [(name, level.value(levels.low, levels.high)) for name, level in stated]
    except NotMeasurable:
        return None
    if not levels.has_states:
        return None
    option = read.options.get("hysteresis")
    for name, height in heights:
        band = survey.band(option) if isinstance(option, ReferenceLevel) else survey.default_hysteresis(height)
        from_low, from_high = abs(height - levels.low), abs(height - levels.high)
        distance = min(from_low, from_high)
        if distance < NEAR_A_STATE * levels.amplitude and distance + band / 2 < REACH_OF_NOISE * survey.noise:
            state, of = ("low", levels.low) if from_low < from_high else ("high", levels.high)
            asked, there = (show_quantity(one, survey.unit, resolution=survey.noise / 10) for one in (height, of))
            noise = show_quantity(survey.noise, survey.unit)
            text = f"`{name}` is {asked}, and the {state} state {there} with noise of {noise} rms"
            return Finding(Doubt.LEVEL_IN_NOISE, text)
    return None


def _stated(read: Read) -> Iterator[tuple[str, ReferenceLevel]]:
    for name, option in read.options.items():
        level = option.level if isinstance(option, Condition) else option
        if name not in NOT_CROSSED and isinstance(level, ReferenceLevel):
            yield name, level
