"""Start bits: which falling edges of an asynchronous line begin a character, and which lie inside one."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from wavewright.buses.line.columns import Flags, Indexes
from wavewright.waveform import Floats

if TYPE_CHECKING:
    from wavewright.buses.line.logic import Line

DOUBLINGS = 5  # leaps of 32 characters
IsSound = Callable[[Floats], Flags]
TRIED = 200  # characters over which rival first start bits are compared
WINDOW = 1 << 14  # falling edges: what is made of them stays in the cache
PROVEN = 4  # characters without a fault before a start bit is believed that others contest
MOST_EDGES = 8  # falling edges that a character of up to 13 bits may well have


def character_starts(line: Line, bit: float, bits: float, is_sound: IsSound) -> tuple[Indexes, Flags, Flags]:
    """Indices, among the falling edges, of the start bits; which of those are not certain, and which come so soon
    after a false start that the pulse may have moved them.

    After a character the next falling edge after the middle of its last bit begins the next one. Where the record
    does not begin with a whole character of idle, the first start bit can be any falling edge within a character's
    length: the first that brings no fault is taken, and nothing is certain until all of them lead to the same start
    bit, as they do after a pause of a character. Where one of them brings several characters without a fault, those
    that bring one are ruled out.

    Parameters
    ----------
    bit : s.
    bits : length of a character with start and stop bits, in bits.
    is_sound : for start edges (s, shape (n,)), whether a character without a fault, its parity included, begins there.
    """
    falls = line.falling
    if not falls.size:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.bool_), np.zeros(0, dtype=np.bool_)
    after = _Successors(falls, line.rising[int(not line.first) :], bit, (int(bits) - 0.5) * bit)
    start, certain = _first_start(line, falls, after, is_sound, bit=bit, bits=bits)
    found, refused = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for begin in range(0, falls.size, WINDOW):
        end = min(begin + WINDOW, falls.size)
        if start >= end:
            continue
        following, is_false = after.of(begin, end)
        chain = _whole_chain(start - begin, following - begin)
        start = int(following[chain[-1]])
        false = is_false[chain]
        found.append(chain[~false] + begin)
        refused.append(chain[false] + begin)
    starts = np.concatenate(found)
    return starts, starts < certain, _soon_after(falls, np.concatenate(refused), starts, bit)


def _soon_after(falls: Floats, refused: Indexes, starts: Indexes, bit: float) -> Flags:
    """Which starts come less than a bit after a false one."""
    if not refused.size:
        return np.zeros(starts.size, dtype=np.bool_)
    before = np.searchsorted(refused, starts) - 1
    soon = falls[starts] - falls[refused[np.maximum(before, 0)]] < bit
    return np.asarray(soon & (before >= 0))


class _Successors:
    """The falling edge that begins the next character, if one begins a character; the number of edges if none does."""

    def __init__(self, falls: Floats, rises: Floats, bit: float, reach: float) -> None:
        self.falls, self.rises = falls, rises  # the rise after each fall; the last fall may have none
        self.bit, self.reach = bit, reach  # s; from the start edge to the middle of the last bit

    def of(self, begin: int, end: int) -> tuple[Indexes, Flags]:
        """For some edges the next start; and which of them are false starts, low for less than half a bit."""
        falls, rises = self.falls[begin:end], self.rises[begin:end]
        is_false = np.zeros(falls.size, dtype=np.bool_)
        np.less(rises - falls[: rises.size], 0.5 * self.bit, out=is_false[: rises.size])
        for place in np.flatnonzero(is_false).tolist():
            is_false[place] = not self._has_spike(begin + place)
        later = falls + self.reach
        steps = np.ones(falls.size, dtype=np.int64)
        for ahead in range(1, MOST_EDGES + 1):
            further = self.falls[begin + ahead : end + ahead]
            inside = further < later[: further.size]
            if not inside.any():
                break
            steps[: further.size] += inside
        else:  # far more edges than any character has
            steps = np.searchsorted(self.falls, later, side="left") - np.arange(begin, end)
        steps[is_false] = 1
        return np.arange(begin, end) + steps, is_false

    def _has_spike(self, place: int) -> bool:
        """Whether a start bit is only disturbed by a short pulse: the line is low for most of the bit, and what is low
        after the pulse ends where a bit does that began here, rather than one that begins after the pulse.
        """
        if place + 1 >= min(self.falls.size, self.rises.size):
            return False
        fall, again = float(self.falls[place]), float(self.falls[place + 1])
        rise, over = float(self.rises[place]), float(self.rises[place + 1])
        if rise - fall + min(over, fall + self.bit) - again < 0.5 * self.bit or again > fall + self.bit:
            return False
        ends = [(over - begin) / self.bit for begin in (fall, again)]
        misfits = [abs(end - max(round(end), 1)) for end in ends]
        return misfits[0] <= misfits[1]


def _chain(start: int, following: list[int]) -> list[int]:
    """Start, what follows it, what follows that, for the first characters."""
    found: list[int] = []
    while start < len(following) and len(found) < TRIED:
        found.append(start)
        start = following[start]
    return found


def _whole_chain(start: int, following: Indexes) -> Indexes:
    """As `_chain`, to the end: leaps of many steps are found for all edges at once, then filled in together."""
    size = following.size
    onward = np.append(np.minimum(following, size), size)  # after the last edge it stays
    leap = onward
    for _ in range(DOUBLINGS):
        leap = leap.take(leap)
    landings: list[int] = []
    while start < size:
        landings.append(start)
        start = int(leap[start])
    steps = np.empty((1 << DOUBLINGS, len(landings)), dtype=np.int64)
    steps[0] = landings
    for step in range(1, 1 << DOUBLINGS):
        onward.take(steps[step - 1], out=steps[step], mode="clip")
    chain = steps.T.ravel()
    return chain[chain < size]


def _first_start(
    line: Line, falls: Floats, after: _Successors, is_sound: IsSound, *, bit: float, bits: float
) -> tuple[int, int]:
    """The falling edge that begins the first character, and the index up to which that remains uncertain."""
    character = bits * bit
    if line.first and falls[0] - line.start >= character - bit:
        return 0, 0
    # the record may have begun inside a character: then it may be that none of these edges starts one
    rivals = max(int(np.searchsorted(falls, line.start + character)), 1) + 1
    known = _first_after_idle(line, falls, character - bit)
    window = falls[: rivals + (TRIED + 1) * 16]
    sound = is_sound(window) | (window + (int(bits) - 0.5) * bit >= line.end)
    steps = after.of(0, window.size)[0].tolist()
    chains = [[k for k in _chain(rival, steps) if k < known] for rival in range(min(rivals, falls.size))]
    faults = [sum(not sound[k] for k in chain) for chain in chains]
    best = int(np.argmin(faults))
    # that no edge of the first character is a start bit is one more rival: the first edge after it stands for it
    if rivals <= falls.size and not faults[best] and len(chains[best]) >= PROVEN:
        chains = [chain for chain, wrong in zip(chains, faults, strict=True) if not wrong]
    elif rivals > falls.size:
        return best, min(known, falls.size)
    agreed = set.intersection(*(set(chain) for chain in chains))
    return best, min(agreed, default=min(known, falls.size))


def _first_after_idle(line: Line, falls: Floats, idle: float) -> int:
    """The first falling edge that comes after so much idle that nothing but a start bit can be meant."""
    before = np.concatenate([[line.start], line.rising]) if line.first else line.rising
    certain = np.flatnonzero(falls - before[: falls.size] >= idle)
    return int(certain[0]) if certain.size else int(falls.size)
