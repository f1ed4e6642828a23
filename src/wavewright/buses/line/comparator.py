"""A comparator with two thresholds, on raw codes, 64 samples at a time.

The state after a sample: it reaches the high threshold, or the state was high and it does not reach the low one. A
carry runs through an addition by the same rule, from bit to bit. So with a word of 64 samples that do not reach the low
threshold, and one of those that reach the high one, the carries of their sum are the states; what a word without any
such sample passes on is carried to the next one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from wavewright.analysis.record.blocks import CODES_BLOCK, FLAGS_BLOCK, WORDS_BLOCK, spans
from wavewright.analysis.record.found_once import computed_once
from wavewright.waveform import Codes, Floats, Waveform

if TYPE_CHECKING:
    import numpy.typing as npt

FULL = 0xFFFF_FFFF_FFFF_FFFF
CLOSEST = 64  # samples: changes further apart are so few that their instants are found as quickly
FARTHEST = 2.0**40  # samples from time zero: up to there two rounded instants are off by less than `SLACK`
SLACK = 2.0**-8  # samples
THIN = 2  # octets per mark: below that the octets with marks are looked at, else every sample
THINNER = 32  # octets per mark: below that only octets of words with marks are
Indexes: TypeAlias = "npt.NDArray[np.int64]"
Flags: TypeAlias = "npt.NDArray[np.bool_]"
Packed: TypeAlias = "npt.NDArray[np.uint64]"  # 64 samples per word, the first one in the lowest bit
Test = Callable[[Codes, Flags], object]  # fills the flags of some codes


@dataclass(frozen=True, eq=False)
class Changes:
    """Where the state of a waveform changes: it alternates from `first` on.

    Parameters
    ----------
    states : whether it is high after each sample; after the last sample the bits mean nothing.
    wave, bounds : what changes, and the codes, as real numbers, of its low and high threshold.
    """

    first: bool
    states: Packed
    wave: Waveform
    bounds: tuple[float, float]

    @computed_once
    def turns(self) -> Packed:
        """Samples at which the state changes."""
        return turns(self.states, self.first)

    @computed_once
    def count(self) -> int:
        """How many changes there are."""
        return int(np.bitwise_count(self.turns).sum())

    @computed_once
    def times(self) -> Floats:
        """Where the straight line to the sample that changes it meets the threshold, s, ascending."""
        found = np.empty(self.count)
        size = 0
        for begin, end in spans(0, self.states.size, CODES_BLOCK // 64):
            index = places_of(self.turns[begin:end])
            to_high = self.first == bool(size & 1)
            self._find(index, 64 * begin, found[size : size + index.size], to_high=to_high)
            size += index.size
        return found

    def times_at(self, samples: Indexes, to_high: Flags) -> Floats:
        """`times` of some changes only.

        Parameters
        ----------
        samples : which samples change the state, and `to_high` in which direction.
        """
        found = np.empty(samples.size)
        for rising in (False, True):
            chosen = np.flatnonzero(to_high == rising)
            some = np.empty(2 * chosen.size)  # every other one is of that direction
            self._find(np.repeat(samples[chosen], 2), 0, some, to_high=rising)
            found[chosen] = some[::2]
        return found

    def _find(self, index: Indexes, begin: int, found: Floats, *, to_high: bool) -> None:
        """When the straight lines to samples that change the state in turn meet their thresholds; s.

        Parameters
        ----------
        index : of the samples, counted from `begin` on; it is moved by that. The times are filled into `found`.
        """
        wave = self.wave
        reached = wave.codes[begin:].take(index)
        left = wave.codes[begin - 1 :].take(index) if begin else wave.codes.take(index - 1)
        after = reached.astype(np.float64)
        is_short = wave.codes.dtype.kind in "iu" and wave.codes.dtype.itemsize == 1
        step = np.subtract(reached, left, dtype=np.int16) if is_short else after - left
        after[int(not to_high) :: 2] -= self.bounds[1]
        after[int(to_high) :: 2] -= self.bounds[0]
        if wave.codes.dtype.kind == "f":
            with np.errstate(invalid="ignore", divide="ignore"):
                after /= step
            np.nan_to_num(after, copy=False, nan=0.0, posinf=0.0, neginf=0.0)  # after an invalid sample: at the sample
            np.clip(after, 0.0, 1.0, out=after)
        else:
            after /= step
        index += begin
        np.subtract(index, after, out=found)
        found *= wave.interval
        found += wave.start

    def is_surely_apart(self, time: float) -> bool:
        """No two neighbouring changes come within that time, s; False where only their exact instants can tell."""
        wave = self.wave
        if max(abs(wave.start), abs(wave.start + wave.duration)) > FARTHEST * wave.interval:
            return False  # so far from zero instants are rounded
        samples = time / wave.interval + 1.0 + SLACK  # an instant is up to a sample before that which changes the state
        return samples <= CLOSEST and not _any_within(self.turns, math.ceil(samples) - 1)


def changes(wave: Waveform, low: float, high: float) -> Changes:
    """All changes of state of a waveform.

    It begins in the state that it reaches first, or high if it reaches none. A sample on an only threshold is high.

    Parameters
    ----------
    low, high : thresholds in the waveform's unit; high where they are reached from below, low from above.
    """
    codes = wave.codes
    bounds = wave.code_of(low), wave.code_of(high)
    is_high = _test(codes.dtype, bounds[1], rising=wave.gain > 0)
    is_low = _test(codes.dtype, bounds[0], rising=wave.gain < 0, strictly=low == high)
    flags = np.zeros(min(FLAGS_BLOCK, -(-codes.size // 64) * 64), dtype=np.bool_)
    first: bool | None = None
    state = True
    states = np.empty(-(-codes.size // 64), dtype=np.uint64)
    for begin, end in spans(0, codes.size, FLAGS_BLOCK):
        part = codes[begin:end]
        highs, lows = _packed(is_high, part, flags), _packed(is_low, part, flags)
        if first is None:
            first = _first_state(highs, lows)
            state = first is None or first
            states[: begin // 64] = FULL if state else 0
        held, state = _held(highs, lows, state)
        states[begin // 64 : begin // 64 + held.size] = held
    return Changes(first is None or first, states, wave, bounds)


def turns(states: Packed, first: bool) -> Packed:
    """Samples at which a state changes, from the states themselves and the one before the first sample."""
    return states ^ delayed(states, first)


def delayed(states: Packed, first: bool) -> Packed:
    """The state before each sample."""
    before = states << np.uint64(1)
    before[1:] |= states[:-1] >> np.uint64(63)
    before[:1] |= np.uint64(first)
    return before


def is_marked(packed: Packed, samples: Indexes) -> Flags:
    """Whether some samples are marked."""
    return np.asarray(packed.view(np.uint8).take(samples >> 3) >> (samples & 7).astype(np.uint8) & 1 != 0)


def places_of(packed: Packed) -> Indexes:
    """Which samples are marked, ascending."""
    octets = packed.view(np.uint8)
    count = int(np.bitwise_count(packed).sum())
    if THIN * count > octets.size:
        return np.flatnonzero(np.unpackbits(octets, bitorder="little").view(np.bool_))
    if THINNER * count > octets.size:
        places = np.flatnonzero(octets != 0)
    else:
        within = np.flatnonzero(packed != 0)
        places = (8 * within[:, np.newaxis] + np.arange(8))[octets.reshape(-1, 8).take(within, axis=0) != 0]
    left = octets.take(places)
    places <<= 3
    found = []
    while places.size:  # the lowest mark of each octet, then the same for what is left of it
        lower = left - np.uint8(1)
        found.append(places + np.bitwise_count(lower & ~left))
        left &= lower
        more = np.flatnonzero(left)
        places, left = places.take(more), left.take(more)
    if len(found) > 1:
        merged = np.concatenate(found)
        merged.sort(kind="stable")  # a few ascending runs
        return merged
    return found[0] if found else places


def is_any_beside(marks: Packed, others: Packed) -> bool:
    """Whether any sample with a mark has one of the others, or is right beside one."""
    for begin, end in _overlapping(marks.size):
        mine, theirs = marks[begin:end], others[begin:end]
        near = mine | _shifted(mine, 1)
        if (near & theirs).any() or (mine & _shifted(theirs, 1)).any():
            return True
    return False


def _any_within(marks: Packed, samples: int) -> bool:
    """Whether the next mark comes up to this many samples after any mark."""
    return any(_is_any_within(marks[begin:end], samples) for begin, end in _overlapping(marks.size))


def _is_any_within(marks: Packed, samples: int) -> bool:
    reach, covered = marks, 1
    while covered < samples:  # whether there is a mark among the last `covered` samples
        by = min(covered, samples - covered)
        reach = reach | _shifted(reach, by)
        covered += by
    return bool((marks & _shifted(reach, 1)).any())


def _overlapping(words: int) -> Iterator[tuple[int, int]]:
    """Blocks of words that stay in the cache; each but the first begins with the last word of the one before."""
    return ((max(begin - 1, 0), end) for begin, end in spans(0, words, WORDS_BLOCK))


def _shifted(marks: Packed, by: int) -> Packed:
    """The marks that many samples later, fewer than 64."""
    moved = marks << np.uint64(by)
    moved[1:] |= marks[:-1] >> np.uint64(64 - by)
    return moved


def _test(kind: np.dtype[np.generic], bound: float, *, rising: bool, strictly: bool = False) -> Test:
    """Whether codes are beyond or, unless `strictly`, on a bound; for integers by a whole code."""
    if kind.kind in "iu":
        whole = math.ceil(round(bound, 9)) if rising != strictly else math.floor(round(bound, 9))
        limits = np.iinfo(kind.name)
        if not limits.min <= whole <= limits.max:
            is_beyond = (whole < limits.min) == rising
            return lambda _, flags: flags.fill(is_beyond)
        bound = whole
    compare = (np.greater if strictly else np.greater_equal) if rising else (np.less if strictly else np.less_equal)
    limit = kind.type(bound)
    return lambda part, flags: compare(part, limit, out=flags)


def _packed(test: Test, part: Codes, flags: Flags) -> Packed:
    size = -(-part.size // 64) * 64
    test(part, flags[: part.size])
    flags[part.size : size] = False
    return np.packbits(flags[:size], bitorder="little").view("<u8")


def _first_state(highs: Packed, lows: Packed) -> bool | None:
    """The state that is reached first; None if none is."""
    reached = highs | lows
    words = np.flatnonzero(reached)
    if not words.size:
        return None
    word = int(reached[words[0]])
    return bool(int(highs[words[0]]) & word & -word)


def _held(highs: Packed, lows: Packed, state: bool) -> tuple[Packed, bool]:
    """The state after each sample, and after the last of the words."""
    keeps = ~lows
    total = keeps + highs
    carried = total < keeps
    passes = total == FULL  # neither threshold is reached in the word
    entering = np.empty(total.size, dtype=np.bool_)
    entering[0] = state
    entering[1:] = carried[:-1]
    if passes.any():
        decided = np.where(passes, -1, np.arange(total.size))
        decided = np.maximum.accumulate(decided)[:-1]
        entering[1:] = np.where(decided < 0, state, carried[decided])
    total += entering
    before = keeps ^ highs ^ total
    return (highs & ~before) | (before & keeps), bool(entering[-1] if passes[-1] else carried[-1])
