"""Two-state lines: the instants at which a waveform changes between low and high.

A line changes to high at the sample that reaches the high threshold and to low at the one that reaches the low
threshold; between the two it keeps its state. The instant is where the straight line to that sample meets the
threshold. All that follows works on those instants and never looks at samples again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from wavewright.buses.line.comparator import (
    FARTHEST,
    Changes,
    Flags,
    Indexes,
    Packed,
    changes,
    delayed,
    is_any_beside,
    is_marked,
    places_of,
    turns,
)
from wavewright.buses.line.logic_levels import AUTO, LogicLevels
from wavewright.errors import NotMeasurable
from wavewright.waveform import Codes, Floats, Waveform

if TYPE_CHECKING:
    import numpy.typing as npt

WINDOW = 1 << 14  # instants: what is made of them stays in the cache
ROUNDING = 1e-6  # samples: so close to one the product of a time and a rate may be on its other side
SPARSE = 16  # fewer instants than one for this many changes, or octets of samples, are searched for one by one


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A line with two states: which one it begins with, and the instants at which it changes.

    Parameters
    ----------
    first : True where it begins high.
    instants : s, ascending, shape (m,), the state alternates at each; or the changes of a waveform, whose instants are
        found when they are first asked for.
    start, end : of the record, s.
    interval : between two samples, s: no instant is known better; 0 where the line was not sampled.
    wave, thresholds : where it came from, if it came from a waveform.
    states : the state after each sample, 64 in a word, if it came from a waveform and was not filtered.
    """

    first: bool
    instants: Floats | Changes
    start: float
    end: float
    interval: float = 0.0
    name: str = ""
    wave: Waveform | None = None
    thresholds: tuple[float, float] | None = None
    states: Packed | None = None

    @property
    def times(self) -> Floats:
        """Instants of all changes, s, ascending."""
        return self.instants.times if isinstance(self.instants, Changes) else self.instants

    @property
    def count(self) -> int:
        """How many changes there are."""
        return self.instants.count if isinstance(self.instants, Changes) else int(self.instants.size)

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

    def rises_before(self, instants: Floats, *, included: bool) -> Indexes:
        """How many changes to high there were before each of some instants (s).

        Parameters
        ----------
        included : one at the instant itself counts too.
        """
        changes = np.searchsorted(self.times, instants, side="right" if included else "left")
        return np.asarray(changes + int(not self.first) >> 1)

    def is_high_along(self, instants: Floats, *, is_still: bool = False) -> Flags:
        """As `is_high`, for ascending instants.

        Where the samples on both sides of an instant are in the same state, that is the state; only where they are not,
        the instants of change are examined.

        Parameters
        ----------
        is_still : the line is known to change near none of them, as `is_still_at` tells.
        """
        if self.states is None or instants.size * SPARSE < max(self.count, 8 * self.states.size):
            return np.asarray((self.changes_before(instants) & 1 != 0) ^ self.first)
        found = np.empty(instants.size, dtype=np.bool_)
        last = 64 * self.states.size - 2
        for begin in range(0, instants.size, WINDOW):
            part = instants[begin : begin + WINDOW]
            samples = (part - self.start) * (1 / self.interval)
            place = samples.astype(np.int64)
            if place[0] < 0 or place[-1] > last:
                np.clip(place, 0, last, out=place)
            first = int(place[0]) >> 6
            near = self.states[first : (int(place[-1]) + 1 >> 6) + 1].view(np.uint8)
            flags = np.unpackbits(near, bitorder="little").view(np.bool_)
            place -= first << 6
            before = flags.take(place)
            if not is_still:
                place += 1
                unclear = np.flatnonzero(before != flags.take(place))
                if unclear.size:
                    samples -= (first << 6) - 1.0
                    before[unclear] = self._is_high_between(part[unclear], place[unclear], samples[unclear], first << 6)
            found[begin : begin + WINDOW] = before
        return found

    def is_still_at(self, other: Line, *, rising: bool) -> bool:
        """Whether no change of this line comes close to one of those of another line in that direction.

        False where only their instants can tell: unless both were sampled together, and not far from time zero.
        """
        if self.states is None or other.states is None or not self._was_sampled_with(other) or self.is_far:
            return False
        edges = other.states & other.turns if rising else ~other.states & other.turns
        return not is_any_beside(self.turns, edges)

    def _is_high_between(self, instants: Floats, changed: Indexes, samples: Floats, first: int) -> Flags:
        """The state at some instants, each within a sample before one that changes the state.

        Parameters
        ----------
        changed : those samples; `samples`: the instants in samples, 1 too large; both counted from `first` on.
        """
        if not isinstance(self.instants, Changes) or (np.abs(samples - np.rint(samples)) < ROUNDING).any():
            return self.is_high(instants)
        changed = changed + first
        to_high = is_marked(self.instants.states, changed)
        is_after = self.instants.times_at(changed, to_high) <= instants
        return np.asarray((is_after == to_high) ^ (self.first != self.instants.first))

    def changes_while_high(self, other: Line) -> tuple[Floats, Flags, Indexes]:
        """When this line changes while another one is high, s.

        Then which of those changes are to high, and how many changes of the other line there were up to each.

        At its own changes the other line is in the new state. Of lines that were sampled together only those changes
        are examined by time that have a sample beside them in which the other line is high.
        """
        if self.states is None or other.states is None or not self._was_sampled_with(other):
            places = np.flatnonzero(other.is_high_along(self.times))
            times = self.times[places]
            return times, (places & 1 != 0) == self.first, np.searchsorted(other.times, times, side="right")
        samples = places_of(self.turns & (other.states | delayed(other.states, other.first)))
        to_high = is_marked(self.states, samples)
        if isinstance(self.instants, Changes):
            times = self.instants.times_at(samples, to_high ^ (self.first != self.instants.first))
        else:
            times = self.times[np.searchsorted(places_of(self.turns), samples)]
        before = np.searchsorted(other.times, times, side="right")
        kept = (before & 1 != 0) ^ other.first
        return times[kept], to_high[kept], before[kept]

    def is_surely_apart(self, time: float) -> bool:
        """No two neighbouring changes come within that time, s; False where only a look at all of them can tell."""
        return isinstance(self.instants, Changes) and self.instants.is_surely_apart(time)

    @property
    def turns(self) -> Packed:
        """Samples at which the state changes; only of a line that has `states`."""
        if isinstance(self.instants, Changes):  # those of an inverted line are the same
            return self.instants.turns
        assert self.states is not None
        return turns(self.states, self.first)

    @property
    def is_far(self) -> bool:
        """So far from time zero that instants are rounded by a part of a sample; a line that was not sampled is not."""
        return max(abs(self.start), abs(self.end)) > FARTHEST * self.interval > 0

    @property
    def ends_high(self) -> bool:
        """The state after the last change."""
        return (self.count % 2 != 0) != self.first

    def _was_sampled_with(self, other: Line) -> bool:
        axes = ((line.start, line.end, line.interval) for line in (self, other))
        return len(set(axes)) == 1

    def on_axis_of(self, wave: Waveform, before: Waveform) -> Line:
        """The same line with the time axis, and the scale, that its waveform has in place of what it had before."""
        by = wave.interval / before.interval
        return replace(
            self,
            instants=wave.start + (self.times - before.start) * by,
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
        every: Codes | None = None
        if wave.codes.dtype.kind in "iu" and wave.codes.dtype.itemsize == 1:  # a table of all codes there can be
            every = np.arange(256, dtype=np.uint8).view(wave.codes.dtype)
        between = None if every is None else _is_between(wave, every, low, high)
        for begin in range(0, instants.size, WINDOW):
            nearest = instants[begin : begin + WINDOW] - wave.start
            nearest /= wave.interval
            codes = wave.codes.take(np.rint(nearest, out=nearest).astype(np.int64), mode="clip")
            found[begin : begin + WINDOW] = (
                _is_between(wave, codes, low, high) if between is None else between.take(codes.view(np.uint8))
            )
        return found


def _is_between(wave: Waveform, codes: Codes, low: float, high: float) -> Flags:
    """Which codes of a waveform are values strictly between two thresholds."""
    values = wave.offset + wave.gain * codes.astype(np.float64)
    return np.asarray((values > low) & (values < high))


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
    return Line(found.first, found, wave.start, end, wave.interval, wave.name, wave, (low, high), states=found.states)


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
