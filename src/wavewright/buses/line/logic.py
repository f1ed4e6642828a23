"""Two-state lines: the instants at which a waveform changes between low and high.

A line changes to high at the sample that reaches the high threshold and to low at the one that reaches the low
threshold; between the two it keeps its state. The instant is where the straight line to that sample meets the
threshold. All that follows works on those instants and never looks at samples again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from wavewright.buses.line.comparator import Flags, Indexes, Packed, changes, delayed, ranks, turns
from wavewright.buses.line.logic_levels import AUTO, LogicLevels
from wavewright.errors import NotMeasurable
from wavewright.waveform import Codes, Floats, Waveform

if TYPE_CHECKING:
    import numpy.typing as npt

WINDOW = 1 << 14  # instants: what is made of them stays in the cache
SPARSE = 16  # fewer instants than one for this many changes, or octets of samples, are searched for one by one


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A line with two states: which one it begins with, and the instants at which it changes.

    Parameters
    ----------
    first : True where it begins high.
    times : s, ascending, shape (m,); the state alternates at each.
    start, end : of the record, s.
    interval : between two samples, s: no instant is known better; 0 where the line was not sampled.
    wave, thresholds : where it came from, if it came from a waveform.
    states : the state after each sample, 64 in a word, if it came from a waveform and was not filtered.
    """

    first: bool
    times: Floats
    start: float
    end: float
    interval: float = 0.0
    name: str = ""
    wave: Waveform | None = None
    thresholds: tuple[float, float] | None = None
    states: Packed | None = None

    @property
    def rising(self) -> Floats:
        """Instants of the changes to high, s."""
        return self.times[int(self.first) :: 2]

    @property
    def falling(self) -> Floats:
        """Instants of the changes to low, s."""
        return self.times[int(not self.first) :: 2]

    def is_high(self, instants: npt.ArrayLike) -> Flags:
        """The state at some instants (s, any shape); at a change itself it is the new one."""
        changes = np.searchsorted(self.times, instants, side="right")
        return np.asarray((changes & 1 != 0) ^ self.first)

    def changes_before(self, instants: Floats) -> Indexes:
        """How many changes there were up to each of some ascending instants (s), one at the instant itself included."""
        if instants.size < self.times.size:
            return np.searchsorted(self.times, instants, side="right")
        places = np.searchsorted(instants, self.times, side="left")
        return np.cumsum(np.bincount(places, minlength=instants.size + 1))[: instants.size]

    def is_high_along(self, instants: Floats) -> Flags:
        """As `is_high`, for ascending instants.

        Where the samples on both sides of an instant are in the same state, that is the state; only where they are not,
        the instants of change are examined.
        """
        if self.states is None or instants.size * SPARSE < max(self.times.size, 8 * self.states.size):
            return np.asarray((self.changes_before(instants) & 1 != 0) ^ self.first)
        found = np.empty(instants.size, dtype=np.bool_)
        last = 64 * self.states.size - 2
        for begin in range(0, instants.size, WINDOW):
            part = instants[begin : begin + WINDOW]
            place = ((part - self.start) * (1 / self.interval)).astype(np.int64)
            if place[0] < 0 or place[-1] > last:
                np.clip(place, 0, last, out=place)
            first = int(place[0]) >> 6
            near = self.states[first : (int(place[-1]) + 1 >> 6) + 1].view(np.uint8)
            samples = np.unpackbits(near, bitorder="little").view(np.bool_)
            place -= first << 6
            before, after = samples.take(place), samples[1:].take(place)
            unclear = np.flatnonzero(before != after)
            before[unclear] = self.is_high(part[unclear])
            found[begin : begin + WINDOW] = before
        return found

    def changes_while_high(self, other: Line) -> Indexes:
        """Which of the changes, by index, come while another line is high; at its own changes it is in the new state.

        Of lines that were sampled together only those changes are examined by time that have a sample beside them in
        which the other line is high.
        """
        if self.states is None or other.states is None or not self._was_sampled_with(other):
            return np.flatnonzero(other.is_high_along(self.times))
        turned = turns(self.states, self.first)
        maybe = ranks(turned & (other.states | delayed(other.states, other.first)), turned)
        return maybe[other.is_high(self.times[maybe])]

    def _was_sampled_with(self, other: Line) -> bool:
        axes = ((line.start, line.end, line.interval) for line in (self, other))
        return len(set(axes)) == 1

    def on_axis_of(self, wave: Waveform, before: Waveform) -> Line:
        """The same line with the time axis, and the scale, that its waveform has in place of what it had before."""
        by = wave.interval / before.interval
        return replace(
            self,
            times=wave.start + (self.times - before.start) * by,
            start=wave.start,
            end=wave.start + wave.duration,
            interval=wave.interval,
            wave=None if self.wave is None else wave,
        )

    def inverted(self) -> Line:
        """The same line with high and low exchanged."""
        return replace(self, first=not self.first, states=None if self.states is None else ~self.states)

    def is_undefined(self, instants: Floats) -> Flags:
        """Where the sample nearest to an instant lies strictly between the thresholds; nowhere without a waveform."""
        if self.wave is None or self.thresholds is None or not len(self.wave):
            return np.zeros(np.shape(instants), dtype=np.bool_)
        (low, high), wave = self.thresholds, self.wave
        found = np.empty(np.shape(instants), dtype=np.bool_)
        for begin in range(0, instants.size, WINDOW):
            nearest = np.rint((instants[begin : begin + WINDOW] - wave.start) / wave.interval).astype(np.int64)
            values = wave.offset + wave.gain * wave.codes.take(nearest, mode="clip").astype(np.float64)
            found[begin : begin + WINDOW] = (values > low) & (values < high)
        return found


def line_of(wave: Waveform, levels: LogicLevels = AUTO) -> Line:
    """The two-state line that a waveform carries.

    A record that begins between the thresholds is taken to be in the state that it reaches first; one that reaches
    neither, or that has no two states where `levels` is `auto`, never changes and counts as high.

    Parameters
    ----------
    levels : thresholds, in the waveform's unit.
    """
    end = wave.start + wave.duration
    try:
        low, high = levels.of(wave)
    except NotMeasurable:
        return Line(True, np.empty(0), wave.start, end, wave.interval, wave.name)
    found = changes(wave, low, high)
    return Line(
        found.first, found.times, wave.start, end, wave.interval, wave.name, wave, (low, high), states=found.states
    )


def difference(high: Waveform, low: Waveform) -> Waveform:
    """One waveform of two on the same time axis: high minus low, for a differential pair.

    Codes are subtracted as they are where both have the same gain, else as values.
    """
    count = min(len(high), len(low))
    if high.gain == low.gain and high.codes.dtype.kind in "iu" and high.codes.dtype.itemsize <= 2:
        codes: Codes = np.subtract(high.codes[:count], low.codes[:count], dtype=np.int32)
        return replace(high, codes=codes, offset=high.offset - low.offset, code_range=None)
    return Waveform.from_volts(
        high.values(0, count) - low.values(0, count), interval=high.interval, start=high.start, name=high.name
    )
