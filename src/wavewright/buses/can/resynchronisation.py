"""CAN resynchronisation where a line is disturbed: bit by bit, within the jump width, by the bits that are read.

ISO 11898-1 †: only an edge from recessive to dominant after a bit that was read recessive moves the bit
clock, by no more than the jump width, which is at most phase segment 2, what lies after the sample point. After an
idle bus it moves to the edge, however far. A pulse in which no bit is read is seen by no controller.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from wavewright.buses.line.columns import Indexes
from wavewright.waveform import Floats

IDLE = 10  # recessive bits after which an edge sets the bit clock anew: acknowledge delimiter, end of frame, two more


@dataclass(slots=True)
class _Edge:
    """An edge to dominant that was read: when (s), dominant and recessive bits after it, and where pulses went unread.

    `unrest` is the number of unread pulses in the ten bits before it.
    """

    time: float
    unrest: int = 0
    low: int = 0
    high: int = 0
    unread: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True, eq=False)
class ReadEdges:
    """The edges to dominant that a controller takes for such, and what it reads after each.

    Parameters
    ----------
    times : s, shape (n,).
    counts : dominant and recessive bits in turn, shape (2 n,).
    unrest : unread pulses in the ten bits before each, shape (n,).
    unread_at, unread_bits : each unread pulse as the edge that it comes after, and how many bits after it.
    """

    times: Floats
    counts: Indexes
    unrest: Indexes
    unread_at: Indexes
    unread_bits: Indexes


def read_again(
    pulses: tuple[Floats, Floats],
    counts: Indexes,
    doubtful: Indexes,
    *,
    clock: tuple[float, float],
    ends: tuple[float, float],
) -> ReadEdges:
    """Edges and bits of a whole line, those in doubt read anew.

    Parameters
    ----------
    pulses : when each dominant pulse begins and ends, s.
    counts : dominant and recessive bits after each edge, found as if each edge were one that sets the bit clock.
    doubtful : pulses that are not that simple, or what follows them up to the next is not; ascending.
    clock : duration of a bit, s, and where in a bit it is read.
    ends : when the line became recessive before the first pulse, or the record began; and when the record ends, s.
    """
    controller = _Controller(pulses, clock, ends)
    times, kept, unrest = [], [], []
    found: list[tuple[int, _Edge]] = []
    done = size = 0  # edges that were taken over or read; edges so far
    count, doubts = pulses[0].size, set(doubtful.tolist())
    while done < count:
        at = int(np.searchsorted(doubtful, done))
        first = int(doubtful[at]) if at < doubtful.size else count
        if first < count and counts[2 * first] == 0:
            first = max(first - 1, done)  # nothing is read after this edge: the one before still sets the clock
        times.append(pulses[0][done:first])
        kept.append(counts[2 * done : 2 * first])
        unrest.append(np.zeros(first - done, dtype=np.int64))
        size += first - done
        if first == count:
            break
        rest = controller.rest_before(first) if first == 0 else int(counts[2 * first - 1])
        again, done = controller.read(first, doubts, rest)
        times.append(np.array([edge.time for edge in again]))
        kept.append(np.array([(edge.low, edge.high) for edge in again], dtype=np.int64).ravel())
        unrest.append(np.array([edge.unrest for edge in again], dtype=np.int64))
        found += [(size + number, edge) for number, edge in enumerate(again)]
        size += len(again)
    marks = [(number, bits) for number, edge in found for bits in edge.unread]
    unread = np.array(marks, dtype=np.int64).reshape(-1, 2)
    return ReadEdges(
        np.concatenate(times), np.concatenate(kept), np.concatenate(unrest), unread[:, 0], unread[:, 1]
    )  # fmt: skip


class _Controller:
    """Reads bits one after the other from one edge on until nothing is in doubt any more."""

    def __init__(self, pulses: tuple[Floats, Floats], clock: tuple[float, float], ends: tuple[float, float]) -> None:
        self.falls, self.rises = pulses
        self.bit, self.point = clock
        self.begin, self.end = ends

    def rest_before(self, fall: int) -> int:
        """Recessive bits before an edge that no edge to dominant comes before."""
        return round((float(self.falls[fall]) - self.begin) / self.bit)

    def read(self, first: int, doubtful: set[int], rest: int) -> tuple[list[_Edge], int]:
        """The edges from `first` on as they are read, and the first one that is as simple as it looked.

        Parameters
        ----------
        rest : recessive bits before the first edge.
        """
        start = float(self.falls[first])
        edges: list[_Edge] = []
        unread: list[float] = []  # when pulses began that nobody read, s, since the last edge
        boundary, is_low = start, False  # of the next bit; the level of the last one
        ahead = first  # the first edge to dominant after the last sample
        while True:
            if not is_low:  # after a recessive bit the next edge to dominant may move the clock
                upto = float(self.falls[ahead]) if ahead < self.falls.size else self.end
                still = max(int(np.ceil((min(upto, self.end) - boundary) / self.bit - self.point)), 0)
                rest += still
                if edges:
                    edges[-1].high += still
                boundary += still * self.bit
                if ahead >= self.falls.size:
                    return edges, self.falls.size
            sample = boundary + self.point * self.bit
            if sample >= self.end:
                return edges, self.falls.size
            following = int(np.searchsorted(self.falls, sample, side="right"))
            chosen = None if is_low else self._edge_that_counts(ahead, following, boundary, is_idle=rest >= IDLE)
            if chosen is not None:
                edge, boundary = chosen
                skipped = [float(fall) for fall in self.falls[ahead:edge]]
                if edge > first and boundary == self.falls[edge] and edge not in doubtful:
                    if edges:
                        edges[-1].unread += [edges[-1].low + edges[-1].high] * len(skipped)
                    if not _recent(unread + skipped, boundary, self.bit):
                        return edges, edge
                recent = _recent(unread + skipped, boundary, self.bit)
                if edges:
                    edges[-1].unread += [edges[-1].low + edges[-1].high] * len(skipped)
                edges.append(_Edge(boundary, recent, 1))
                sample = boundary + self.point * self.bit
                after = int(np.searchsorted(self.falls, sample, side="right"))
                edges[-1].unread += [0] * (after - edge - 1)
                ahead, is_low, rest, unread = after, True, 0, []
            else:
                lows = self._is_low(sample, following)
                passed = [float(fall) for fall in self.falls[ahead:following]]
                hidden = len(passed) - int(lows and not is_low)
                if lows and not is_low:  # dominant, but no edge that belongs to it
                    edges.append(_Edge(boundary, _recent(unread, boundary, self.bit)))
                    rest, unread = 0, []
                if edges:
                    edges[-1].unread += [edges[-1].low + edges[-1].high] * max(hidden, 0)
                    edges[-1].low += lows
                    edges[-1].high += not lows
                unread += passed if not lows else []
                rest = 0 if lows else rest + 1
                ahead, is_low = following, lows
            boundary += self.bit

    def _edge_that_counts(
        self, first: int, following: int, boundary: float, *, is_idle: bool
    ) -> tuple[int, float] | None:
        """Of some edges the one that begins a dominant bit, nearest to where one should; and where the bit begins."""
        jump = (1 - self.point) * self.bit
        candidates = list(range(first, following))
        if not is_idle:
            candidates.sort(key=lambda place: abs(float(self.falls[place]) - boundary))
        for place in candidates:
            begin = float(self.falls[place])
            if not is_idle:
                begin = min(max(begin, boundary - jump), boundary + jump)
            sample = begin + self.point * self.bit
            if self._is_low(sample, int(np.searchsorted(self.falls, sample, side="right"))):
                return place, begin
        return None

    def _is_low(self, instant: float, following: int) -> bool:
        """Whether the line is dominant at an instant; `following`: how many edges to dominant come up to it."""
        return following > 0 and bool(self.rises[following - 1] > instant)


def _recent(pulses: list[float], instant: float, bit: float) -> int:
    return sum(1 for begin in pulses if begin > instant - (IDLE + 0.5) * bit)
