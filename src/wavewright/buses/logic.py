"""From waveforms to two-state lines: a comparator with two thresholds on raw codes, in blocks that stay in the cache.

A line changes to high at the sample that reaches the high threshold and to low at the one that reaches the low
threshold; between the two it keeps its state. The instant is where the straight line to that sample meets the
threshold. All that follows works on those instants and never looks at samples again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from wavewright.buses.levels import AUTO, LogicLevels
from wavewright.errors import NotMeasurable
from wavewright.waveform import Codes, Floats, Waveform

BLOCK = 1 << 17  # samples: with the two rows of booleans it fits the second-level cache
Indexes = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


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
    """

    first: bool
    times: Floats
    start: float
    end: float
    interval: float = 0.0
    name: str = ""
    wave: Waveform | None = None
    thresholds: tuple[float, float] | None = None

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
        """As `is_high`, for ascending instants: what is counted is whichever of instants and changes are fewer."""
        return np.asarray((self.changes_before(instants) & 1 != 0) ^ self.first)

    def inverted(self) -> Line:
        """The same line with high and low exchanged."""
        return replace(self, first=not self.first)

    def is_undefined(self, instants: Floats) -> Flags:
        """Where the sample nearest to an instant lies strictly between the thresholds; nowhere without a waveform."""
        if self.wave is None or self.thresholds is None or not len(self.wave):
            return np.zeros(np.shape(instants), dtype=np.bool_)
        nearest = np.rint((instants - self.wave.start) / self.wave.interval).astype(np.int64)
        values = self.wave.offset + self.wave.gain * self.wave.codes[np.clip(nearest, 0, len(self.wave) - 1)].astype(
            np.float64
        )
        return np.asarray((values > self.thresholds[0]) & (values < self.thresholds[1]))


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
    index, to_high, first = _changes(wave, low, high)
    times = wave.start + wave.interval * _places(wave, index, to_high, low, high)
    return Line(first, times, wave.start, end, wave.interval, wave.name, wave, (low, high))


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


def _changes(wave: Waveform, low: float, high: float) -> tuple[Indexes, Flags, bool]:
    """Samples at which the state changes, whether to high, and whether the record begins high."""
    upper, lower = wave.code_of(high), wave.code_of(low)
    highs = _entries(wave.codes, upper, rising=wave.gain > 0)
    # a sample on an only threshold is high, and not both
    lows = _entries(wave.codes, lower, rising=wave.gain < 0, strictly=low == high)
    if (woven := _woven(highs, lows)) is not None:
        return woven
    index = np.concatenate([highs, lows])
    to_high = np.zeros(index.size, dtype=np.bool_)
    to_high[: highs.size] = True
    order = np.argsort(index, kind="stable")  # two ascending runs: merging them is linear
    index, to_high = index[order], to_high[order]
    if not index.size:
        return index, to_high, True
    first = bool(to_high[0])
    keep = np.empty(index.size, dtype=np.bool_)
    keep[0] = False  # the first entry says which state the record begins in
    np.not_equal(to_high[1:], to_high[:-1], out=keep[1:])
    return index[keep], to_high[keep], first


def _woven(highs: Indexes, lows: Indexes) -> tuple[Indexes, Flags, bool] | None:
    """The changes of a clean line, whose entries to high and to low alternate; None where they do not."""
    if not highs.size or not lows.size:
        return None
    begins_high = bool(highs[0] < lows[0])
    early, late = (highs, lows) if begins_high else (lows, highs)
    if early.size - late.size not in (0, 1):
        return None
    if not ((early[: late.size] < late).all() and (late[: early.size - 1] < early[1:]).all()):
        return None
    index = np.empty(early.size + late.size, dtype=np.int64)
    index[0::2], index[1::2] = early, late
    to_high = np.zeros(index.size, dtype=np.bool_)
    to_high[int(not begins_high) :: 2] = True
    return index[1:], to_high[1:], begins_high


def _entries(codes: Codes, bound: float, *, rising: bool, strictly: bool = False) -> Indexes:
    """Samples that are beyond or, unless `strictly`, on a bound while the one before is not; sample 0 if it is."""
    compare = (np.greater if strictly else np.greater_equal) if rising else (np.less if strictly else np.less_equal)
    if codes.dtype.kind in "iu":
        whole = math.ceil(round(bound, 9)) if rising != strictly else math.floor(round(bound, 9))
        limits = np.iinfo(codes.dtype)
        if not limits.min <= whole <= limits.max:
            beyond_all = (whole < limits.min) == rising
            return np.zeros(1 if beyond_all and codes.size else 0, dtype=np.int64)
        bound = whole
    beyond = np.zeros(BLOCK + 1, dtype=np.bool_)
    enters = np.empty(BLOCK, dtype=np.bool_)
    found = []
    for begin in range(0, codes.size, BLOCK):
        part = codes[begin : begin + BLOCK]
        count = part.size
        compare(part, codes.dtype.type(bound), out=beyond[1 : count + 1])
        np.greater(beyond[1 : count + 1], beyond[:count], out=enters[:count])
        found.append(np.flatnonzero(enters[:count]) + begin)
        beyond[0] = beyond[count]
    return np.concatenate(found) if found else np.zeros(0, dtype=np.int64)


def _places(wave: Waveform, index: Indexes, to_high: Flags, low: float, high: float) -> Floats:
    """Indices, not rounded, at which the straight line to each sample meets its threshold."""
    after = wave.codes.take(index).astype(np.float64)
    step = after - wave.codes.take(index - 1)
    first = int(not to_high[0]) if to_high.size else 0  # the states alternate
    after[first::2] -= wave.code_of(high)
    after[1 - first :: 2] -= wave.code_of(low)
    with np.errstate(invalid="ignore", divide="ignore"):
        back = np.divide(after, step, out=after)
    if wave.codes.dtype.kind == "f":
        back = np.nan_to_num(back, nan=0.0, posinf=0.0, neginf=0.0)  # after an invalid sample: at the sample itself
    return np.asarray(index - np.clip(back, 0.0, 1.0, out=back))
