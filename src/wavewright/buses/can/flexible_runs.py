"""CAN FD frames that nothing disturbs, many at once, by the distances of their edges.

Between two edges to dominant the bit clock runs on from the first, so that there are as many bits between them as
sample points fit in: runs of equal bits are counted, and no bit is looked at by itself. A controller sees the same as
long as a bit is read in every pulse and in every pause, no sample point lies so close to an edge that rounding decides,
and the rate changes where it should. Frames of which that, or anything else that is due, does not hold are left to be
read bit by bit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from wavewright.buses.can.flexible_format import COUNT_BITS, GRAY, LENGTHS, LONG, MOST_FOR_SHORT, SHORT, TRAILER
from wavewright.buses.frames import Frames
from wavewright.buses.line.checksums import CRCS, CheckWords, crc_continued, crc_of_runs
from wavewright.buses.line.columns import Column, Flags, Indexes, Numbers, Pieces
from wavewright.buses.line.logic import Line
from wavewright.buses.line.ragged import Octets, batches, piece_indices
from wavewright.waveform import Floats

AT_ONCE = 1 << 15  # pulses: what is made of them stays in the cache
HEAD_PULSES = 24  # the bits before the rate may change have no more: 36, and eight stuff bits
IDE, RES, RES_EXTENDED = 13, 15, 34  # unstuffed bits
CONTROL = 5  # bits after BRS: ESI and the length code
LONGEST = 5  # equal bits that the stuffing rule allows
PAUSE = 7.5  # recessive bits of the arbitration phase: only the end of a frame has more
MOST_PULSES = 400  # of the longest frame
KEPT = 16  # bits of a longer run that are kept: more than is looked at
ROUNDING = 64.0  # last digits of a time: more than the sums of a bit clock, here or bit by bit, can be off by


@dataclass(frozen=True, slots=True, eq=False)
class DominantPulses:
    """The dominant pulses of a line: when each begins, ends, and when the next one begins or the record ends; s."""

    falls: Floats
    rises: Floats
    following: Floats
    end: float

    @classmethod
    def of(cls, line: Line) -> DominantPulses:
        """Those of a line that is low when dominant."""
        falls = np.append(line.falling, line.end)
        rises = line.rising[int(not line.first) :]
        rises = np.append(rises, np.full(falls.size - 1 - rises.size, line.end))
        return cls(falls[:-1], rises, falls[1:], line.end)

    def take(self, index: Indexes) -> DominantPulses:
        """Some of them, in an array of any shape."""
        return DominantPulses(self.falls.take(index), self.rises.take(index), self.following.take(index), self.end)


def read_undisturbed(
    pulses: DominantPulses, starts: Floats, *, times: tuple[float, float], points: tuple[float, float]
) -> Iterator[tuple[Indexes, Frames]]:
    """Those frames with which nothing is wrong, unless that nobody acknowledged them: which ones, and the frames.

    Parameters
    ----------
    starts : when each frame begins, s, ascending.
    times : duration of a bit in the arbitration and in the data phase, s.
    points : sample points in the two phases.
    """
    latest = np.abs([*pulses.falls[:1], pulses.end]).max()
    clock = _Clock(times, points, float(ROUNDING * np.spacing(latest)) / min(times) + 1e-12)
    pauses = np.flatnonzero(pulses.following - pulses.rises > PAUSE * times[0])
    first = np.searchsorted(pulses.falls, starts)
    last = np.append(pauses, -1)[np.searchsorted(pauses, first)]
    begins = np.append(pulses.falls, np.inf)[first] == starts
    chosen = np.flatnonzero(begins & (last > first) & (last - first < MOST_PULSES))
    first, last = first[chosen], last[chosen]
    for part in batches(first, last, AT_ONCE):
        rows, frames = _read(pulses, first[part], last[part], clock)
        yield chosen[part][rows], frames


@dataclass(frozen=True, slots=True)
class _Clock:
    """Bit times, s, and sample points of both phases; `tolerance`: bits by which rounding may move a sample point."""

    times: tuple[float, float]
    points: tuple[float, float]
    tolerance: float

    def is_unsure(self, bits: Floats) -> Flags:
        """Where rounding decides on which side of a sample point an edge lies."""
        return np.asarray(np.abs(bits - np.rint(bits)) <= self.tolerance)


def _read(pulses: DominantPulses, first: Indexes, last: Indexes, clock: _Clock) -> tuple[Indexes, Frames]:
    """Those frames of which all is as it is due, and what they say.

    Parameters
    ----------
    first, last : pulse of each frame.
    """
    head = _heads(pulses, first, last, clock)
    readable = np.flatnonzero(head.is_readable)
    head = head.take(readable)
    runs = _runs(pulses, first[readable], last[readable], head, clock)
    is_recessive = np.arange(runs.lengths.size) % 2 == 1
    bits, raw = np.repeat(is_recessive, runs.sizes), np.repeat(is_recessive, runs.lengths)
    begin = runs.plain[runs.first] - runs.sizes[runs.first]
    control = begin + head.bits
    length = _numbers(bits, control + 1, 4)
    sizes = np.array(LENGTHS)[length]
    body = _bodies(runs, begin, control + CONTROL + 8 * sizes)
    check = _checks(runs, raw, body, sizes > MOST_FOR_SHORT)
    end = _ends(runs, check.delimiter, head.fast, clock)
    sound = np.flatnonzero(body.is_sound & check.is_right & end.is_sound)
    base = _numbers(bits, begin + 1, 11)
    numbers = {
        "remote": np.zeros(begin.size, dtype=np.bool_),
        "identifier": np.where(head.extended, base << 18 | _numbers(bits, begin + 14, 18), base),
        "extended": head.extended,
        "fast": head.fast,
        "error_passive": bits.take(control, mode="clip"),
        "length": length,
    }
    columns: dict[str, Column] = {name: Numbers(values[sound]) for name, values in numbers.items()}
    counts = sizes[sound]
    data_end = np.cumsum(counts)
    places = piece_indices(np.zeros_like(counts), counts)
    values = Octets(bits).at(np.repeat(control[sound] + CONTROL, counts) + 8 * places)
    columns["data"] = Pieces(values, data_end - counts, data_end)
    columns["crc"] = Numbers(check.sent[sound])
    columns["acknowledged"] = Numbers(end.acknowledged[sound])
    frames = Frames(
        runs.pulses.falls[runs.offsets[:-1][sound]],
        end.times[sound],
        "flexible data",
        columns,
        errors={"not acknowledged": ~end.acknowledged[sound]},
    )
    return readable[sound], frames


def _numbers(bits: Flags, first: Indexes, count: int) -> Indexes:
    """A number of `count` bits from each place on, most significant first."""
    found = np.zeros(first.size, dtype=np.int64)
    for place in range(count):
        found = found << 1 | bits.take(first + place, mode="clip")
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Heads:
    """What the bits before the rate may change say of each frame.

    Parameters
    ----------
    switch : in which pulse of the frame the bit before BRS is.
    bits : how many bits come up to BRS, without stuff bits.
    """

    is_readable: Flags
    extended: Flags
    fast: Flags
    switch: Indexes
    bits: Indexes

    def take(self, rows: Indexes) -> _Heads:
        """Those of some frames."""
        switch, bits = self.switch[rows], self.bits[rows]
        return _Heads(self.is_readable[rows], self.extended[rows], self.fast[rows], switch, bits)


def _heads(pulses: DominantPulses, first: Indexes, last: Indexes, clock: _Clock) -> _Heads:
    bit, point = clock.times[0], clock.points[0]
    near = pulses.take(np.minimum(first[:, None] + np.arange(HEAD_PULSES), last[:, None]))
    exact = np.empty((first.size, 2 * HEAD_PULSES))
    exact[:, ::2] = (near.rises - near.falls) / bit - point
    exact[:, 1::2] = (near.following - near.falls) / bit - point
    runs = np.ceil(exact)
    runs[:, 1::2] -= runs[:, ::2]
    is_sure = ~clock.is_unsure(exact) & (runs >= 1) & (runs <= LONGEST)
    np.logical_and.accumulate(is_sure, axis=1, out=is_sure)
    sizes = runs.copy()
    sizes[:, 1:] -= runs[:, :-1] == LONGEST  # the first bit after five equal ones is a stuff bit
    upto = np.cumsum(sizes, axis=1)
    upto[~is_sure] = np.inf
    extended = (upto <= IDE).sum(axis=1) % 2 == 1
    res = np.where(extended, RES_EXTENDED, RES)
    run = np.minimum((upto <= res[:, None]).sum(axis=1), 2 * HEAD_PULSES - 1)
    rows = np.arange(first.size)
    begins = (run > 0) & (upto[rows, run - 1] == res)  # with the edge after FDF
    return _Heads(
        begins & (run % 2 == 0) & is_sure[rows, run] & (run // 2 < last - first),
        extended,
        sizes[rows, run] == 1,
        run // 2,
        res + 2,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """Runs of equal bits of frames, dominant and recessive in turn, each frame's after those of the one before.

    Parameters
    ----------
    pulses : those of all frames; `offsets`: the first of each frame, and one after the last.
    bit, point : of the phase that each pulse begins in.
    lengths, sizes : bits in each run, with and without the stuff bit that it begins with where `is_stuffed`.
    raw, plain : bits up to the end of each run, with and without stuff bits.
    is_unsure : runs that are empty, or whose length depends on rounding.
    """

    pulses: DominantPulses
    offsets: Indexes
    bit: Floats
    point: Floats
    lengths: Indexes
    sizes: Indexes
    is_stuffed: Flags
    raw: Indexes
    plain: Indexes
    is_unsure: Flags

    @property
    def first(self) -> Indexes:
        """The first run of each frame."""
        return 2 * self.offsets[:-1]

    @property
    def after(self) -> Indexes:
        """The one after the last run of each frame."""
        return 2 * self.offsets[1:]


def _runs(pulses: DominantPulses, first: Indexes, last: Indexes, head: _Heads, clock: _Clock) -> _Runs:
    counts = last - first + 1
    offsets = np.append(0, np.cumsum(counts))
    near = pulses.take(piece_indices(first, counts))
    slow = np.where(head.fast, head.switch + 1, counts)
    phases = np.column_stack([slow, counts - slow]).ravel()
    bit = np.repeat(np.tile(clock.times, counts.size), phases)
    point = np.repeat(np.tile(clock.points, counts.size), phases)
    exact = np.empty(2 * near.falls.size)
    exact[::2] = (near.rises - near.falls) / bit - point
    exact[1::2] = (near.following - near.falls) / bit - point
    switched = (offsets[:-1] + head.switch)[head.fast]
    low = np.ceil(exact[2 * switched])
    read = near.falls[switched] + (low + clock.points[0]) * clock.times[0]  # when BRS is read; fast bits follow
    exact[2 * switched + 1] = low + (near.following[switched] - read) / clock.times[1]
    whole = np.ceil(exact)
    np.minimum(whole[::2], KEPT, out=whole[::2])
    np.minimum(whole[1::2], whole[::2] + KEPT, out=whole[1::2])
    whole[1::2] -= whole[::2]
    lengths = np.maximum(whole, 0).astype(np.int64)
    is_stuffed = np.append(False, lengths == LONGEST)[:-1]  # the pause before a frame is longer than that
    sizes = np.maximum(lengths - is_stuffed, 0)
    is_unsure = clock.is_unsure(exact) | (whole < 1)
    return _Runs(
        near, offsets, bit, point, lengths, sizes, is_stuffed, np.cumsum(lengths), np.cumsum(sizes), is_unsure
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Bodies:
    """The stuffed part of each frame, from its start to its last data bit.

    Parameters
    ----------
    last : the run that the last bit is in.
    begin, end : as indices of raw bits.
    stuff_bits : how many there are.
    """

    last: Indexes
    begin: Indexes
    end: Indexes
    stuff_bits: Indexes
    is_sound: Flags


def _bodies(runs: _Runs, begin: Indexes, after: Indexes) -> _Bodies:
    """The stuffed parts between certain bits, stuff bits not counted."""
    found = np.searchsorted(runs.plain, after - 1, side="right")
    last = np.minimum(found, runs.after - 1)
    within = after - (runs.plain[last] - runs.sizes[last]) + runs.is_stuffed[last]
    raw_begin = runs.raw[runs.first] - runs.lengths[runs.first]
    raw_end = runs.raw[last] - runs.lengths[last] + within
    long = np.append(0, np.cumsum(runs.lengths > LONGEST))
    is_sound = (found < runs.after) & (within <= LONGEST) & (long[last] == long[runs.first])
    return _Bodies(last, raw_begin, raw_end, raw_end - raw_begin - (after - begin), is_sound)


@dataclass(frozen=True, slots=True, eq=False)
class _Checks:
    """The CRC of each frame as it was sent, whether all of the CRC field is right, and the raw bit after the field."""

    sent: CheckWords
    is_right: Flags
    delimiter: Indexes


def _checks(runs: _Runs, raw: Flags, body: _Bodies, is_long: Flags) -> _Checks:
    """Number of stuff bits, fixed stuff bits and CRC.

    Parameters
    ----------
    raw : all bits.
    is_long : which frames have the longer check.
    """
    sent = np.zeros(is_long.size, dtype=np.uint64)
    is_right, delimiter = np.zeros_like(is_long), np.zeros_like(body.end)
    turns = np.repeat(body.end, runs.after - runs.first) - runs.raw  # bits from the end of each run to that of the body
    for kind, chosen in ((CRCS[SHORT], ~is_long), (CRCS[LONG], is_long)):
        rows = np.flatnonzero(chosen)
        if not rows.size:
            continue
        fixed = -(-(COUNT_BITS + kind.width) // 4)
        span = COUNT_BITS + kind.width + fixed
        field = raw.take(body.end[rows][:, None] + np.arange(-1, span), mode="clip")
        told = np.delete(field[:, 1:], np.s_[::5], axis=1)
        count = told[:, :COUNT_BITS]
        number = _numbers(count.ravel(), COUNT_BITS * np.arange(rows.size), COUNT_BITS - 1)
        width = told.shape[1]
        word = _numbers(told.ravel(), width * np.arange(rows.size) + COUNT_BITS, kind.width).astype(np.uint64)
        begun = crc_of_runs(turns, runs.first, body.end - body.begin, kind)[rows]
        is_right[rows] = (
            (field[:, 1::5] != field[:, :-1:5]).all(axis=1)
            & (np.array(GRAY)[body.stuff_bits[rows] % 8] == number)
            & (count.sum(axis=1) % 2 == 0)
            & (crc_continued(begun, count, kind) == word)
        )
        sent[rows], delimiter[rows] = word, body.end[rows] + span
    return _Checks(sent, is_right, delimiter)


@dataclass(frozen=True, slots=True, eq=False)
class _Ends:
    """When each frame ends, s, and whether somebody acknowledged it; `is_sound`: no bit after the CRC is wrong."""

    times: Floats
    acknowledged: Flags
    is_sound: Flags


def _ends(runs: _Runs, delimiter: Indexes, fast: Flags, clock: _Clock) -> _Ends:
    """What comes from the CRC delimiter on, given as the index of a raw bit."""
    (slow_bit, fast_bit), (slow_point, fast_point), margin = clock.times, clock.points, clock.tolerance
    found = np.searchsorted(runs.raw, delimiter, side="right")
    run = np.minimum(found, runs.after - 1)
    pulse, last = run // 2, runs.offsets[1:] - 1
    near, bit, point = runs.pulses, runs.bit[pulse], runs.point[pulse]
    bits = delimiter - (runs.raw[2 * pulse] - runs.lengths[2 * pulse])  # from the edge before it
    read = near.falls[pulse] + (bits + point) * bit
    unsure = np.append(0, np.cumsum(runs.is_unsure))
    is_sound = (found < runs.after) & (run % 2 == 1) & (unsure[run] == unsure[runs.first])
    pause = (near.following[pulse] - read) / slow_bit  # bits up to the next edge to dominant
    is_quiet = (pulse == last) & (pause > TRAILER + margin)
    low = (near.rises[last] - near.falls[last]) / slow_bit - slow_point
    all_of_it = (near.following[last] - near.falls[last]) / slow_bit - slow_point
    is_answered = (pulse + 1 == last) & (pause > margin) & (pause < 1 - margin)
    is_answered &= (low > margin) & (low < 1 - margin) & (all_of_it > TRAILER - 1 + margin)
    # as one bit after the other adds up, to the last digit
    ends = np.where(is_answered, near.falls[last], near.falls[pulse])
    for number in range(int(bits.max(initial=-1)) + 1):
        following = (ends + bit * point) + bit * (1 - point)
        ends = np.where(~is_answered & (number <= bits), following, ends)
    before = slow_bit * (1 - slow_point)
    ends = np.where(~is_answered & fast, ends + (before - fast_bit * (1 - fast_point)), ends)
    for _ in range(TRAILER):
        ends = (ends + slow_bit * slow_point) + before
    return _Ends(np.minimum(ends, near.end), is_answered, is_sound & (is_quiet | is_answered))
