"""Instants that are not the same for all: skew between two inputs, and the jitter of the trigger."""

from __future__ import annotations

from wavewright.analysis.doubts import Doubt, Finding, Reads
from wavewright.analysis.examined_reading import ENOUGH, Read
from wavewright.analysis.front_end.front_end import repeating_frequency, tone_frequency
from wavewright.quantities import show_quantity

TURN = 360.0  # degrees


def input_skew(read: Read) -> Finding | None:
    """A delay or a phase between two inputs that the inputs may differ by themselves."""
    ways = [front_end for _, front_end in read.pairs if front_end is not None]
    if len({way.input for way in ways}) < 2 or read.reading.value is None:
        return None
    skew = max((way.skew for way in ways if way.skew), default=0.0)
    reach = _in_unit(read, skew)
    if not reach or reach < abs(read.reading.value):
        return None
    text = f"the inputs may differ by {show_quantity(skew, 's')}"
    return Finding.within(Doubt.INPUT_SKEW, text, reach)


def trigger_jitter(read: Read) -> Finding | None:
    """A time or a phase that is counted from a trigger which jitters by more than the reading is uncertain."""
    if Reads.TRIGGER not in read.parts or read.reading.value is None:
        return None
    jitter = max((way.trigger_jitter for _, way in read.pairs if way is not None and way.trigger_jitter), default=0.0)
    moved = _in_unit(read, jitter)
    if not moved or moved <= (read.reading.uncertainty or 0.0):
        return None
    text = f"the trigger jitters by {show_quantity(jitter, 's')} rms"
    return Finding.within(Doubt.TRIGGER_JITTER, text, ENOUGH * moved)


def _in_unit(read: Read, time: float) -> float:
    """What a time is in the unit of a reading: itself, or degrees of the signal; 0 in any other."""
    if read.reading.unit == "s":
        return time
    if read.reading.unit != "deg" or not time:
        return 0.0
    survey = read.surveys[0]
    stated = read.options.get("frequency")
    frequency = stated if isinstance(stated, int | float) else tone_frequency(survey) or repeating_frequency(survey)
    return TURN * time * (frequency or 0.0)
