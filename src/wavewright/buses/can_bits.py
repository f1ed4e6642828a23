"""CAN bits: from edges to a row of bits, resynchronised at every edge from recessive to dominant, and stuff bits found.

Stuffing (CAN 2.0, 5; from memory) is local in runs of equal bits: a stuff bit is the first bit of the run behind one of
exactly five, and counts as the first of its own run; a run of six breaks the rule.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from wavewright.buses.columns import Flags, Indexes
from wavewright.buses.logic import Line
from wavewright.waveform import Floats

WINDOW = 1 << 14  # edges: what is made of them stays in the cache
IDLE_KEPT = 64  # recessive bits of a pause that are written out: more than any field looks at
SYNCHRONISING = 11  # recessive bits before the first start of frame is believed (ISO 11898-1, from memory)
BETWEEN_FRAMES = 10  # acknowledge delimiter, seven bits of end of frame, and two: a start of frame may follow


@dataclass(frozen=True, eq=False)
class BitStream:
    """All bits of a record, long pauses shortened.

    Parameters
    ----------
    bits : True for recessive, shape (m,).
    runs : index of the first bit of each run of equal bits; `runs[-1] == m`.
    synced : index of the first bit after each edge to dominant, and `edges` its time, s.
    bit_time : s.
    rests : recessive bits since the edge before it or, for the first, since the record began; one for each edge.
    is_read : whether any bit was read as dominant after the edge.
    short_pulses : indices of bits beside a pulse in which no bit was read.
    """

    bits: Flags
    runs: Indexes
    synced: Indexes
    edges: Floats
    bit_time: float
    rests: Indexes
    is_read: Flags
    short_pulses: Indexes

    def time_of(self, index: Indexes) -> Floats:
        """When some bits begin, s."""
        place = np.maximum(np.searchsorted(self.synced, index, side="right") - 1, 0)
        times: Floats = self.edges[place] + (index - self.synced[place]) * self.bit_time
        return times

    @cached_property
    def lengths(self) -> Indexes:
        """Length of each run."""
        return np.diff(self.runs)

    @cached_property
    def stuffed(self) -> Indexes:
        """Index of each stuff bit, where stuffing applies."""
        behind = self.runs[1:].compress(self.lengths == 5)
        return behind[: behind.size - int(behind.size > 0 and behind[-1] == self.bits.size)]

    @cached_property
    def sixths(self) -> Indexes:
        """Index of the sixth bit of every run that has one."""
        return self.runs[:-1].compress(self.lengths >= 6) + 5


def bit_stream(line: Line, *, bit_time: float, sample_point: float) -> BitStream:
    """Read the bits of a line that is low when dominant, from its first edge to dominant on.

    Parameters
    ----------
    sample_point : where in a bit it is read, as a ratio of the bit.
    """
    falls = np.ascontiguousarray(line.falling)
    rises = line.rising[int(not line.first) :]
    rises = np.append(rises, np.full(falls.size - rises.size, line.end)) if rises.size < falls.size else rises
    counts = np.empty(2 * falls.size, dtype=np.int64)  # of bits read as dominant and as recessive after each edge
    is_read = np.empty(falls.size, dtype=np.bool_)
    for begin in range(0, falls.size, WINDOW):
        part = slice(begin, begin + WINDOW)
        start = falls[part]
        ends = np.append(falls[begin + 1 : begin + WINDOW + 1], line.end)[: start.size]
        low = np.ceil((rises[part] - start) / bit_time - sample_point)
        high = np.ceil((ends - start) / bit_time - sample_point) - low
        np.greater(low, 0, out=is_read[part])
        counts[2 * begin : 2 * begin + 2 * start.size : 2] = np.minimum(low, IDLE_KEPT)
        counts[2 * begin + 1 : 2 * begin + 2 * start.size : 2] = np.minimum(high, IDLE_KEPT)
    bounds = np.zeros(counts.size + 1, dtype=np.int64)
    np.cumsum(counts, out=bounds[1:])
    bits = np.repeat(np.arange(counts.size, dtype=np.uint8) & np.uint8(1), counts).view(np.bool_)
    unread = np.flatnonzero(counts == 0)
    runs = bounds
    if unread.size:  # runs on both sides of a pulse in which no bit was read are one
        runs = (
            np.concatenate([[0], np.flatnonzero(bits[1:] != bits[:-1]) + 1, [bits.size]]) if bits.size else bounds[:1]
        )
    lead = np.rint((falls[:1] - line.start) / bit_time) if line.first else np.zeros(1)
    rests = np.concatenate([np.minimum(lead, IDLE_KEPT).astype(np.int64), counts[1:-2:2]])
    return BitStream(bits, runs, np.ascontiguousarray(bounds[:-1:2]), falls, bit_time, rests, is_read, bounds[unread])


def frame_starts(stream: BitStream, line: Line) -> tuple[Indexes, bool]:
    """Index of each start of frame, and whether the first one is a guess: too little idle before it to be sure.

    Idle means that there was no edge at all, however short: data bits of CAN FD may be too fast to be read here.
    """
    if not stream.edges.size:
        return np.zeros(0, dtype=np.int64), False
    is_start = (stream.rests >= BETWEEN_FRAMES) & stream.is_read
    if stream.rests[0] >= SYNCHRONISING and line.first:
        return stream.synced[is_start], False
    sure = np.flatnonzero((stream.rests >= SYNCHRONISING) & stream.is_read)
    is_start[: sure[0] if sure.size else is_start.size] = False
    is_guess = bool(line.first and stream.is_read[0])
    is_start[0] = is_guess
    return stream.synced[is_start], is_guess
