"""Instants that are not the same for all: skew between two inputs, and the jitter of the trigger."""

from __future__ import annotations

from collections.abc import Sequence

from wavewright.analysis.doubts import Doubt, Finding, Reads
from wavewright.analysis.examined_reading import ENOUGH, Read
from wavewright.analysis.front_end.front_end import FrontEnd, repeating_frequency, tone_frequency
from wavewright.quantities import show_quantity

TURN = 360.0  # degrees


def input_skew(read: Read) -> Finding | None:
    """A delay or a phase between two inputs that the inputs, or what is before them, may differ by themselves."""
    ways = [front_end for _, front_end in read.pairs if front_end is not None]
    if len({way.input for way in ways}) < 2 or read.reading.value is None:
        return None
    skew, unequal = max((way.skew for way in ways if way.skew), default=0.0), _unequal_delays(ways)
    reach = _in_unit(read, skew + unequal)
    if not reach or (reach < abs(read.reading.value) and unequal <= skew):
        return None
    text = f"the inputs may differ by {show_quantity(skew, 's')}" if skew else ""
    if unequal > skew:
        what = f"what is before them delays them by {show_quantity(unequal, 's')} more on one than on the other"
        text = f"{text}, and {what}" if text else f"the inputs differ: {what}"
    return Finding.within(Doubt.INPUT_SKEW, text, reach)


def _unequal_delays(ways: Sequence[FrontEnd]) -> float:
    """By how much the bandwidths and the loading of inputs delay them differently, s.

    0 where corrections of all of them have that in them, or the bandwidths of one are not known.
    """
    delays = [way.delay for way in ways]
    known = [delay for delay in delays if delay is not None]
    if len(known) < len(ways) or all(way.is_skew_corrected for way in ways):
        return 0.0
    return max(known) - min(known)


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
