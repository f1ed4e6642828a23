"""Levels that a recipe states where nothing of the signal crosses them: beyond the record, or in a state's noise."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wavewright.analysis.doubts import Doubt, Finding, Reads
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.parameters import Condition, ReferenceLevel
from wavewright.analysis.record.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity

REACH_OF_NOISE = 5.0  # standard deviations; beyond them are 3e-7 of the samples on one side (normal distribution)
NEAR_A_STATE = 0.25  # of the amplitude; further away `noisy` says what there is to say
OF_THE_FIRST, OF_THE_OTHER = ("data_level",), ("clock_level", "second_level")  # of two waveforms
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
    """A level so near a state of a waveform that the noise there crosses it, and its hysteresis, by itself."""
    if not read.parts & {Reads.COUNTS, Reads.EDGES}:
        return None
    for name, level in _stated(read):
        for survey in _crossing(read, name):
            try:
                text = _in_noise(read, survey, level)
            except NotMeasurable:
                continue
            if text:
                return Finding(Doubt.LEVEL_IN_NOISE, f"`{name}` {text}")
    return None


def _crossing(read: Read, name: str) -> Sequence[Survey]:
    """The waveforms that a level is for: the first, the others, or all."""
    if name in OF_THE_FIRST or (name == "level" and read.options.get("second_level") is not None):
        return read.surveys[:1]
    return read.surveys[1:] if name in OF_THE_OTHER else read.surveys


def _in_noise(read: Read, survey: Survey, level: ReferenceLevel) -> str:
    """Where level and state are; empty where the noise of the state does not reach so far."""
    levels, height = survey.levels, survey.level(level)
    if not levels.has_states:
        return ""
    option = read.options.get("hysteresis")
    band = survey.band(option) if isinstance(option, ReferenceLevel) else survey.default_hysteresis(height)
    from_low, from_high = abs(height - levels.low), abs(height - levels.high)
    distance = min(from_low, from_high)
    if distance >= NEAR_A_STATE * levels.amplitude or distance + band / 2 >= REACH_OF_NOISE * survey.noise:
        return ""
    state, of = ("low", levels.low) if from_low < from_high else ("high", levels.high)
    asked, there = (show_quantity(one, survey.unit, resolution=survey.noise / 10) for one in (height, of))
    return f"is {asked}, and the {state} state {there} with noise of {show_quantity(survey.noise, survey.unit)} rms"


def _stated(read: Read) -> Iterator[tuple[str, ReferenceLevel]]:
    for name, option in read.options.items():
        level = option.level if isinstance(option, Condition) else option
        if name not in NOT_CROSSED and isinstance(level, ReferenceLevel):
            yield name, level
