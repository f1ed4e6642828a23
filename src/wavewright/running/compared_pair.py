"""Two records that are compared, as they would be with other errors of their inputs: budgets of what differs.

Both are taken through inputs; where it is one and the same, in one range, its gain and its offset are the same errors
in both and leave a difference as far as they are. Which part is common, identities say; no formula does.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

from wavewright.analysis.doubts import Reads
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.statistics.comparison import Alignment, WaveformDifference, compare
from wavewright.analysis.uncertainty.affine import Alteration, Change
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.influences import (
    PROBED_DELAY,
    Direction,
    Influence,
    Influences,
    InputOfReading,
    Unstated,
    Way,
)
from wavewright.analysis.uncertainty.propagation import with_budget
from wavewright.errors import NotMeasurable
from wavewright.running.shot import ExaminedShot

BEFORE = "before: "  # begins the names of the channels of the record that was taken first
PLACE = "place of the trigger in the two records"


class ComparedPair:
    """The record that was taken first, and the one that is compared with it.

    Parameters
    ----------
    before : the first; earlier : the shot that it is of, None for a stored waveform, of whose input nothing is known.
    channel : its name in that shot; of : the name of the other in `shot`.
    most_delay : s, as in `compare`.
    """

    def __init__(
        self,
        before: Survey,
        earlier: ExaminedShot | None,
        channel: str,
        shot: ExaminedShot,
        of: str,
        *,
        align: Alignment,
        most_delay: float | None,
    ) -> None:
        self._before, self._earlier, self._channel = before, earlier, channel
        self._shot, self._of = shot, of
        self._align, self._most_delay = align, most_delay
        self._differences: dict[tuple[tuple[str, Alteration], ...], WaveformDifference | None] = {}
        self.found = self._compared(before, shot.survey(of))

    def reading(self, name: str, *, parts: Collection[Reads]) -> Reading:
        """One of the things that differ, with its budget; None of it where nothing is stated of either input."""
        reading = Reading(_value(self.found, name), {"delay": "s", "gain": "1"}.get(name, self.found.unit))
        inputs = self._inputs()
        if inputs is None:
            return reading

        def evaluate(change: Change) -> float | None:
            found = self._changed(change)
            return None if found is None else _value(found, name)

        return with_budget(reading, inputs, evaluate, parts=parts, further=self._further(name))

    def _inputs(self) -> list[InputOfReading] | None:
        """The captured channels of both; None where nothing is stated of any."""
        now = self._shot.changed.inputs((self._of,))
        first = None if self._earlier is None else self._earlier.changed.inputs((self._channel,))
        if now is None and first is None:
            return None
        known = [replace(one, name=f"{BEFORE}{one.name}") for one in first or ()]
        return [
            *(known or [InputOfReading(f"{BEFORE}{self._channel}", self._before, None)]),
            *(now or [InputOfReading(self._of, self._shot.survey(self._of), None)]),
        ]

    def _changed(self, change: Change) -> WaveformDifference | None:
        key = tuple(change.items())
        if key not in self._differences:
            try:
                self._differences[key] = self._compared(*self._records(change))
            except NotMeasurable:
                self._differences[key] = None
        return self._differences[key]

    def _records(self, change: Change) -> tuple[Survey, Survey]:
        own = {name: one for name, one in change.items() if not name.startswith(BEFORE)}
        first = {name.removeprefix(BEFORE): one for name, one in change.items() if name.startswith(BEFORE)}
        if self._earlier is not None:
            (before,) = self._earlier.changed.surveys(first, (self._channel,))
        else:
            before = first[self._channel].survey(self._before) if first else self._before
        (now,) = self._shot.changed.surveys(own, (self._of,))
        return before, now

    def _compared(self, before: Survey, now: Survey) -> WaveformDifference:
        return compare(before.wave, now.wave, align=self._align, most_delay=self._most_delay)

    def _further(self, name: str) -> Influences:
        """Numbers in derived channels, and where the triggers have placed the records."""
        before = Influences() if self._earlier is None else self._earlier.changed.further((self._channel,))
        now = self._shot.changed.further((self._of,))
        return before.of_inputs(BEFORE) + now + self._place_of_trigger(name)

    def _place_of_trigger(self, name: str) -> Influences:
        """Both records are placed by their triggers, each of which jitters by itself."""
        if self._align == "correlation" and name != "delay":
            return Influences()
        names = tuple(f"{BEFORE}{one}" for one in self._names_before())
        along = Direction(Way.SKEW, names)
        jitters = [_trigger_jitter(shot, channel) for shot, channel in self._shots()]
        if len(jitters) < 2 or None in jitters:
            step = PROBED_DELAY * self._before.wave.interval
            return Influences(unstated=(Unstated(along, step, PLACE),))
        both = math.hypot(*(one for one in jitters if one is not None))
        source = "trigger jitter of the profile"
        return Influences(stated=(Influence(PLACE, "", ((along, both),), Distribution.NORMAL, source),))

    def _names_before(self) -> Sequence[str]:
        inputs = None if self._earlier is None else self._earlier.changed.inputs((self._channel,))
        return [self._channel] if inputs is None else [one.name for one in inputs]

    def _shots(self) -> Iterator[tuple[ExaminedShot, str]]:
        if self._earlier is not None:
            yield self._earlier, self._channel
        yield self._shot, self._of


def _trigger_jitter(shot: ExaminedShot, channel: str) -> float | None:
    """Of the instrument that took a shot, s rms; None where it is not stated."""
    ways = [shot.front_end(name) for name in (channel, *shot.capture.waveforms)]
    return next((way.trigger_jitter for way in ways if way is not None and way.trigger_jitter is not None), None)


def _value(found: WaveformDifference, name: str) -> float:
    values: Mapping[str, float] = {
        "rms": found.rms_difference,
        "largest": abs(found.largest_difference),
        "delay": found.delay,
        "gain": found.gain,
    }
    return values[name]
