"""Start bits: which falling edges of an asynchronous line begin a character, and which lie inside one."""

from __future__ import annotations

import numpy as np

from wavewright.buses.columns import Flags, Indexes
from wavewright.buses.logic import Line
from wavewright.waveform import Floats

DOUBLINGS = 5  # leaps of 32 characters
TRIED = 200  # characters over which rival first start bits are compared


def character_starts(line: Line, bit: float, bits: float) -> tuple[Indexes, Flags]:
    """Indices, among the falling edges, of the start bits; and which of those are not certain.

    After a character the next falling edge behind the middle of its last bit begins the next one. Where the record
    does not begin with a whole character of idle, the first start bit can be any falling edge within a character's
    length: the first that brings no framing error is taken.

    Parameters
    ----------
    bit : s.
    bits : length of a character with start and stop bits, in bits.
    """
    falls, rises = line.falling, line.rising
    if not falls.size:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.bool_)
    ends = rises[int(not line.first) :]  # the rise after each fall; the last fall may have none
    lows = np.full(falls.size, np.inf)
    lows[: ends.size] = ends[: falls.size] - falls[: ends.size]
    following = np.searchsorted(falls, falls + (int(bits) - 0.5) * bit, side="left")
    following = np.where(lows < 0.5 * bit, np.arange(1, falls.size + 1), following)
    first, certain = _first_start(line, falls, following, bit=bit, bits=bits)
    chain = _whole_chain(first, following)
    chain = chain[lows[chain] >= 0.5 * bit]  # a false start is no character
    return chain, chain < certain


def _chain(start: int, following: list[int]) -> list[int]:
    """Start, what follows it, what follows that, for the first characters."""
    found: list[int] = []
    while start < len(following) and len(found) < TRIED:
        found.append(start)
        start = following[start]
    return found


def _whole_chain(start: int, following: Indexes) -> Indexes:
    """As `_chain`, for a long record: leaps of many steps are found for all edges at once, then filled in together."""
    onward = np.append(following, following.size)  # behind the last edge it stays
    leap = onward
    for _ in range(DOUBLINGS):
        leap = leap[leap]
    landings: list[int] = []
    while start < following.size:
        landings.append(start)
        start = int(leap[start])
    steps = np.empty((1 << DOUBLINGS, len(landings)), dtype=np.int64)
    steps[0] = landings
    for step in range(1, 1 << DOUBLINGS):
        onward.take(steps[step - 1], out=steps[step])
    chain = steps.T.ravel()
    return chain[chain < following.size]


def _first_start(line: Line, falls: Floats, following: Indexes, *, bit: float, bits: float) -> tuple[int, int]:
    """The falling edge that begins the first character, and the index up to which that remains uncertain."""
    character = bits * bit
    if line.first and falls[0] - line.start >= character - bit:
        return 0, 0
    # a record that begins low began inside a character: then it may be that none of these edges starts one
    rivals = max(int(np.searchsorted(falls, line.start + character)), 1) + int(not line.first)
    known = _first_after_idle(line, falls, character - bit)
    window = falls[: rivals + (TRIED + 1) * 16]
    stops_high = line.is_high(window + (int(bits) - 0.5) * bit)
    past_end = window + (int(bits) - 0.5) * bit >= line.end
    steps = following[: window.size].tolist()
    chains = [[k for k in _chain(rival, steps) if k < known] for rival in range(rivals)]
    faults = [sum(1 for k in chain if not (stops_high[k] or past_end[k])) for chain in chains]
    best = int(np.argmin(faults))
    if line.first:
        return best, 0
    sound = [set(chain) for chain, fault in zip(chains, faults, strict=True) if fault == faults[best]]
    agreed = set.intersection(*sound) - set(range(best))
    return best, min(agreed, default=min(known, falls.size))


def _first_after_idle(line: Line, falls: Floats, idle: float) -> int:
    """The first falling edge that comes after so much idle that nothing but a start bit can be meant."""
    before = np.concatenate([[line.start], line.rising]) if line.first else line.rising
    certain = np.flatnonzero(falls - before[: falls.size] >= idle)
    return int(certain[0]) if certain.size else int(falls.size)
