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
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from wavewright.analysis.record.blocks import FLAGS_BLOCK, spans
from wavewright.waveform import Codes, Floats, Waveform

if TYPE_CHECKING:
    import numpy.typing as npt

FULL = 0xFFFF_FFFF_FFFF_FFFF
Indexes: TypeAlias = "npt.NDArray[np.int64]"
Flags: TypeAlias = "npt.NDArray[np.bool_]"
Packed: TypeAlias = "npt.NDArray[np.uint64]"  # 64 samples per word, the first one in the lowest bit
Marks: TypeAlias = "npt.NDArray[Any]"  # bits of uint64, or of octets
Test = Callable[[Codes, Flags], object]  # fills the flags of some codes


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """Where the state changes: it alternates from `first` on.

    Parameters
    ----------
    times : where the straight line to the sample that changes it meets the threshold, s, ascending.
    states : whether it is high after each sample; after the last sample the bits mean nothing.
    """

    first: bool
    times: Floats
    states: Packed


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
    times, states = [np.empty(0)], [np.zeros(0, dtype=np.uint64)]
    for begin, end in spans(0, codes.size, FLAGS_BLOCK):
        part = codes[begin:end]
        highs, lows = _packed(is_high, part, flags), _packed(is_low, part, flags)
        if first is None:
            first = _first_state(highs, lows)
            state = first is None or first
            states = [np.full_like(each, FULL if state else 0) for each in states]
        turned, held, after = _turned(highs, lows, state)
        states.append(held)
        index = _places_of(turned)
        if index.size:
            index += begin
            times.append(_times(wave, index, bounds, to_high=not state))
        state = after
    return Changes(first is None or first, np.concatenate(times), np.concatenate(states))


def turns(states: Packed, first: bool) -> Packed:
    """Samples at which a state changes, from the states themselves and the one before the first sample."""
    return states ^ delayed(states, first)


def delayed(states: Packed, first: bool) -> Packed:
    """The state before each sample."""
    before = states << np.uint64(1)
    before[1:] |= states[:-1] >> np.uint64(63)
    before[:1] |= np.uint64(first)
    return before


def ranks(chosen: Packed, among: Packed) -> Indexes:
    """Of some marks, each one's number among all marks; ascending."""
    counts = np.bitwise_count(among)
    before = np.cumsum(counts, dtype=np.int64) - counts
    found = [np.zeros(0, dtype=np.int64)]
    for words, below in _lowest_first(chosen, np.flatnonzero(chosen)):
        found.append(before.take(words) + np.bitwise_count(among.take(words) & below))
    return np.sort(np.concatenate(found))


def _lowest_first(marks: Marks, places: Indexes) -> Iterator[tuple[Indexes, Marks]]:
    """Words of marks, by index, with the bits below the lowest mark of each; then the same for what is left of them.

    Parameters
    ----------
    places : index of each word that has a mark.
    """
    left = marks.take(places)
    while places.size:
        lower = left - marks.dtype.type(1)
        yield places, lower & ~left
        left &= lower
        more = np.flatnonzero(left)
        places, left = places.take(more), left.take(more)


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
    test(part, flags[: part.size])
    flags[part.size :] = False
    return np.packbits(flags, bitorder="little").view("<u8")


def _first_state(highs: Packed, lows: Packed) -> bool | None:
    """The state that is reached first; None if none is."""
    reached = highs | lows
    words = np.flatnonzero(reached)
    if not words.size:
        return None
    word = int(reached[words[0]])
    return bool(int(highs[words[0]]) & word & -word)


def _turned(highs: Packed, lows: Packed, state: bool) -> tuple[Packed, Packed, bool]:
    """Samples at which the state changes, the state after each, and after the last."""
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
    turned: Packed = (highs & ~before) | (lows & before)
    return turned, turned ^ before, bool(entering[-1] if passes[-1] else carried[-1])


def _places_of(packed: Packed) -> Indexes:
    """Which samples are marked, ascending."""
    octets = packed.view(np.uint8)
    count = int(np.bitwise_count(packed).sum())
    if not count:
        return np.zeros(0, dtype=np.int64)
    if 2 * count > octets.size:  # dense
        return np.flatnonzero(np.unpackbits(octets, bitorder="little").view(np.bool_))
    places = np.flatnonzero(octets != 0)
    if places.size == count:  # one mark each
        _, below = next(_lowest_first(octets, places))
        places <<= 3
        places += np.bitwise_count(below)
        return places
    numbers = np.bitwise_count(octets)
    following = np.cumsum(numbers, dtype=np.int64) - numbers  # where in the index the next mark of each octet goes
    index = np.empty(count, dtype=np.int64)
    for which, below in _lowest_first(octets, places):
        index[following.take(which)] = 8 * which + np.bitwise_count(below)
        following[which] += 1
    return index


def _times(wave: Waveform, index: Indexes, bounds: tuple[float, float], *, to_high: bool) -> Floats:
    """When the straight lines to some samples, at which the state changes in turn, meet their thresholds; s."""
    after = wave.codes.take(index).astype(np.float64)
    step = after - wave.codes.take(index - 1)
    after[int(not to_high) :: 2] -= bounds[1]
    after[int(to_high) :: 2] -= bounds[0]
    if wave.codes.dtype.kind == "f":
        with np.errstate(invalid="ignore", divide="ignore"):
            after /= step
        np.nan_to_num(after, copy=False, nan=0.0, posinf=0.0, neginf=0.0)  # after an invalid sample: at the sample
        np.clip(after, 0.0, 1.0, out=after)
    else:
        after /= step
    np.subtract(index, after, out=after)
    after *= wave.interval
    after += wave.start
    return after
