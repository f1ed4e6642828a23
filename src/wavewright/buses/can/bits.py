"""CAN bits: from edges to a row of bits, resynchronised at edges from recessive to dominant, and stuff bits found.

Stuffing (CAN 2.0 part A, 5 †) is local in runs of equal bits: a stuff bit is the first bit of the run
after one of exactly five, and counts as the first of its own run; a run of six breaks the rule.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wavewright.analysis.record.found_once import computed_once
from wavewright.buses.can.resynchronisation import IDLE, read_again
from wavewright.buses.line.columns import Flags, Indexes
from wavewright.buses.line.logic import Line
from wavewright.waveform import Floats

WINDOW = 1 << 14  # edges: what is made of them stays in the cache
IDLE_KEPT = 64  # recessive bits of a pause that are written out: more than any field looks at
SYNCHRONISING = 11  # recessive bits before the first start of frame is believed (ISO 11898-1 †)
MOST_DOUBTFUL, FEW = 0.25, 1000  # of all edges; where more are in doubt it is another bit rate, or CAN FD
MOST_UNREST = 1  # unread pulses in ten bits: fast bits of CAN FD, of which no more than five are equal, make more


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
    is_unrestful : whether pulses in which no bit was read came so closely before the edge that they may be fast bits.
    short_pulses : indices of bits beside a pulse in which no bit was read.
    """

    bits: Flags
    runs: Indexes
    synced: Indexes
    edges: Floats
    bit_time: float
    rests: Indexes
    is_read: Flags
    is_unrestful: Flags
    short_pulses: Indexes

    def time_of(self, index: Indexes) -> Floats:
        """When some bits begin, s."""
        place = np.maximum(np.searchsorted(self.synced, index, side="right") - 1, 0)
        times: Floats = self.edges[place] + (index - self.synced[place]) * self.bit_time
        return times

    @computed_once
    def lengths(self) -> Indexes:
        """Length of each run."""
        return np.diff(self.runs)

    @computed_once
    def stuffed(self) -> Indexes:
        """Index of each stuff bit, where stuffing applies."""
        after = self.runs[1:].compress(self.lengths == 5)
        return after[: after.size - int(after.size > 0 and after[-1] == self.bits.size)]

    @computed_once
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
    late = [np.zeros(0, dtype=np.int64)]  # edges after which the bit clock is moved by more than a jump
    for begin in range(0, falls.size, WINDOW):
        part = slice(begin, begin + WINDOW)
        start = falls[part]
        ends = np.append(falls[begin + 1 : begin + WINDOW + 1], line.end)[: start.size]
        low = np.ceil((rises[part] - start) / bit_time - sample_point)
        lasting = (ends - start) / bit_time
        both = np.ceil(lasting - sample_point)
        lasting -= both
        late.append(np.flatnonzero(lasting > 1 - sample_point) + begin)
        both -= low
        counts[2 * begin : 2 * begin + 2 * start.size : 2] = np.minimum(low, IDLE_KEPT)
        counts[2 * begin + 1 : 2 * begin + 2 * start.size : 2] = np.minimum(both, IDLE_KEPT)
    # what begins with a dominant level rests from the end of that on
    begin_of_rest = line.start if line.first or not line.times.size else float(line.times[0])
    short = np.flatnonzero(counts == 0)
    moved = np.concatenate(late)
    moved = moved[counts[2 * moved + 1] < IDLE]  # after idle it may be moved as far as it takes
    moved = moved[moved < falls.size - 1]
    is_read = np.ones(falls.size, dtype=np.bool_)
    is_unrestful = np.zeros(falls.size, dtype=np.bool_)
    unread = (np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    is_read[short[short % 2 == 0] // 2] = False
    is_doubtful = np.zeros(falls.size, dtype=np.bool_)
    is_doubtful[moved] = is_doubtful[short[short < counts.size - 1] // 2] = True
    doubtful = np.flatnonzero(is_doubtful)
    if 0 < doubtful.size <= max(MOST_DOUBTFUL * falls.size, FEW):
        again = read_again(
            (falls, rises), counts, doubtful, clock=(bit_time, sample_point), ends=(begin_of_rest, line.end)
        )  # fmt: skip
        falls, counts = again.times, np.minimum(again.counts, IDLE_KEPT)
        is_unrestful = again.unrest > MOST_UNREST
        is_read, unread = np.ones(falls.size, dtype=np.bool_), (again.unread_at, again.unread_bits)
        short = np.flatnonzero(counts == 0)
    bounds = np.zeros(counts.size + 1, dtype=np.int64)
    np.cumsum(counts, out=bounds[1:])
    bits = np.repeat(np.arange(counts.size, dtype=np.uint8) & np.uint8(1), counts).view(np.bool_)
    runs = bounds
    if short.size:  # runs on both sides of a pulse in which no bit was read are one
        runs = (
            np.concatenate([[0], np.flatnonzero(bits[1:] != bits[:-1]) + 1, [bits.size]]) if bits.size else bounds[:1]
        )
    lead = np.minimum(np.rint((falls[:1] - begin_of_rest) / bit_time), IDLE_KEPT).astype(np.int64)
    marks = np.sort(np.concatenate([bounds[short], bounds[2 * unread[0]] + unread[1]]))
    return BitStream(
        bits,
        runs,
        np.ascontiguousarray(bounds[:-1:2]),
        falls,
        bit_time,
        np.concatenate([lead, counts[1:-2:2]]),
        is_read,
        is_unrestful,
        marks,
    )


def frame_starts(stream: BitStream, line: Line) -> tuple[Indexes, Flags, bool]:
    """Index of each start of frame, which of them may be data of CAN FD, and whether the first one is a guess: too
    little idle before it to be sure.

    Data bits of CAN FD may be too fast to be read here: what looks idle, and is not still, may be such data.
    """
    if not stream.edges.size:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.bool_), False
    is_start = (stream.rests >= IDLE) & stream.is_read
    is_guess = False
    if stream.rests[0] < SYNCHRONISING:
        sure = np.flatnonzero((stream.rests >= SYNCHRONISING) & stream.is_read)
        is_start[: sure[0] if sure.size else is_start.size] = False
        is_guess = bool(line.first and stream.is_read[0])
        is_start[0] = is_guess
    return stream.synced[is_start], stream.is_unrestful[is_start], is_guess
