"""CAN: data, remote and error frames of CAN 2.0 A and B, and of CAN FD, on one line or a differential pair.

CAN 2.0 parts A and B †, ISO 11898-1 †. Dominant is
low, as at a transceiver's receive pin.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np

from wavewright.analysis.sense import POSITIVE, PROPER_SHARE
from wavewright.buses.can.bits import BitStream, bit_stream, frame_starts
from wavewright.buses.can.flexible_rate import FlexibleFrames
from wavewright.buses.catalogue import bus, nothing_more
from wavewright.buses.frame import Frame
from wavewright.buses.frames import Frames
from wavewright.buses.line.bit_rate import find_bit_time
from wavewright.buses.line.checksums import CRCS, CheckWords, crc_of_bits
from wavewright.buses.line.columns import Column, Flags, Indexes, Numbers, Pieces, Words
from wavewright.buses.line.logic import Line
from wavewright.buses.line.ragged import Octets, piece_indices
from wavewright.buses.vocabulary import BYTES, FLAG, Vocabulary, number
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity
from wavewright.waveform import Floats

BASE_DATA, EXTENDED_DATA = 19, 39  # unstuffed bits before the first data bit
CRC_BITS = 15
TRAILER = 10  # CRC delimiter, acknowledge slot and delimiter, seven bits of end of frame
RATIOS = range(2, 17)  # of the data phase to the arbitration phase that are tried
DELIMITER = 8  # recessive bits after an error flag
EDGES_FOR_RATE = 1 << 16
EDGE_DOUBT = 1.25  # samples: what two edges together are off by, and some noise
KINDS = ("data", "remote", "error", "overload", "flexible data")


@bus(
    "can",
    channels=("line",),
    differential=("high", "low"),
    levels="can",
    source="CAN 2.0 A and B; ISO 11898-1, CAN FD included †",
    says=Vocabulary(
        kinds=KINDS,
        fields={
            "identifier": number(0, 2**29 - 1),
            **dict.fromkeys(("extended", "remote", "fast", "error_passive", "acknowledged"), FLAG),
            "length": number(0, 15),
            "data": BYTES,
            "crc": number(0, 2**21 - 1),
        },
        errors=("crc", "stuff", "stuff count", "form", "error flag", "not acknowledged", "cut", "glitch"),
    ),
    refuse=nothing_more,
)
def can(
    line: Line,
    *,
    bit_rate: Annotated[float, "bit/s", POSITIVE] | Literal["auto"] = "auto",
    data_bit_rate: Annotated[float, "bit/s", POSITIVE] | None = None,
    sample_point: Annotated[float, "1", PROPER_SHARE] = 0.75,
    data_sample_point: Annotated[float, "1", PROPER_SHARE] = 0.75,
) -> Frames:
    """Frames on a CAN bus: base and extended, data, remote and error frames, and CAN FD.

    Fields: `identifier`, `extended`, `remote`, `length` (the data length code), `data`, `crc` (as sent),
    `acknowledged`; for CAN FD also `fast` (bit rate switched) and `error_passive`. Kinds: `data`, `remote`, `error`
    (destroyed by an error flag), `overload` (a node asked for time after a frame), `flexible data`. After a stuff error
    only the fields before it are reported. A frame at the beginning of the record with less than 11 recessive bits
    before it is reported only if nothing is wrong with it. A pulse in which no bit is read is marked inside a frame
    only.

    Parameters
    ----------
    bit_rate : bit/s; in the arbitration phase for CAN FD. `auto` takes the shortest pulse that occurs often, and is
        refused where frames switch to a faster data phase.
    data_bit_rate : bit/s, of the data phase where a CAN FD frame switches; None: as `bit_rate`.
    sample_point, data_sample_point : where in a bit it is read; earlier where so few samples per bit were taken that an
        edge cannot be distinguished from it. What is after it is also the jump width of the bit clock.
    """
    facts = {"record_start": line.start, "record_end": line.end}
    try:
        bit_time = find_bit_time(line) if bit_rate == "auto" else 1 / float(bit_rate)
    except NotMeasurable:
        return Frames([], [], "data", {}, facts=facts)
    if not line.falling.size:
        return Frames([], [], "data", {}, facts=facts)
    sample_point = max(min(sample_point, 1 - EDGE_DOUBT * line.interval / bit_time), 0.5)
    stream = bit_stream(line, bit_time=bit_time, sample_point=sample_point)
    starts, may_be_data, is_guess = frame_starts(stream, line)
    facts |= {"nominal_bit_rate": 0.0 if bit_rate == "auto" else float(bit_rate), "bit_rate": _measured_rate(stream)}
    fast_time = bit_time if data_bit_rate is None else 1 / data_bit_rate
    data_point = max(min(data_sample_point, 1 - EDGE_DOUBT * line.interval / fast_time), 0.5)
    flexibles = FlexibleFrames(line, times=(bit_time, fast_time), points=(sample_point, data_point))
    frames, flexible, overloads = _read_all(stream, starts, flexibles, facts)
    if is_guess and len(frames) and frames.has_errors[0]:
        starts, may_be_data = starts[1:], may_be_data[1:]
        frames, flexible, overloads = _read_all(stream, starts, flexibles, facts)
    stray = _strays(stream, frames, flexible, overloads)
    if stray.size:  # what begins too soon after a frame is not sound, but is reported
        begins = np.concatenate([starts, stray])
        order = np.argsort(begins, kind="stable")
        may_be_data = np.append(may_be_data, np.zeros(stray.size, dtype=np.bool_))[order]
        frames, flexible, overloads = _read_all(stream, begins[order], flexibles, facts)
    if flexible.any():
        frames = frames.take(~_inside_flexible(frames, flexible, may_be_data, 0.5 * bit_time))
    if bit_rate == "auto" and (not len(frames) or frames.has_errors.all()):
        _refuse_switched_rate(line, bit_time)
    if overloads:
        frames = Frames.of(sorted([*frames, *overloads], key=lambda frame: frame.start), facts=facts)
    return frames


def _refuse_switched_rate(line: Line, fast_time: float) -> None:
    """Refuse a line on which the shortest pulse is a bit of the data phase: a frame with a sound CRC shows it.

    Raises
    ------
    NotMeasurable : names both rates.
    """
    fast_rate = 1 / fast_time
    for ratio in RATIOS:
        tried = can(line, bit_rate=fast_rate / ratio, data_bit_rate=fast_rate)
        if any(frame.fields.get("fast") and set(frame.errors) <= {"not acknowledged"} for frame in tried):
            slow, fast = (
                show_quantity(rate, "bit/s", resolution=rate / 100) for rate in (fast_rate / ratio, fast_rate)
            )
            raise NotMeasurable(
                "`bit_rate: auto` for CAN FD frames that switch to a faster data phase",
                expected="both bit rates",
                do=f"write `bit_rate` and `data_bit_rate` of the bus: about {slow} and {fast}",
            )


def _read_all(
    stream: BitStream, starts: Indexes, flexibles: FlexibleFrames, facts: dict[str, float]
) -> tuple[Frames, Flags, list[Frame]]:
    """All frames, which of them are of CAN FD, and the overload frames between them."""
    frames, flexible, overloads = _read(stream, starts, facts)
    if flexible.any():
        frames = flexibles.read_anew(frames, flexible)
    return frames, flexible, overloads


def _strays(stream: BitStream, frames: Frames, flexible: Flags, overloads: list[Frame]) -> Indexes:
    """Where the line becomes dominant after a frame, and too soon for another one, if not for an overload frame."""
    if not len(frames):
        return np.zeros(0, dtype=np.int64)
    after = np.append(frames.starts[1:], np.inf)
    first = np.searchsorted(stream.edges, frames.ends - 0.5 * stream.bit_time)
    edges = np.append(stream.edges, np.inf)[first]
    stray = (edges < after - 0.5 * stream.bit_time) & np.append(stream.is_read, False)[first]
    broken = frames.of_kind("error") | frames.errors_by_word.get("stuff", np.zeros_like(stray))
    stray &= ~broken | ((np.append(stream.rests, 0)[first] >= DELIMITER) & ~flexible)
    if overloads:
        stray &= ~np.isin(edges, [frame.start for frame in overloads])
    found: Indexes = stream.synced[first[stray]]
    if not overloads:
        return found
    over = np.searchsorted(stream.edges, [frame.end - 0.5 * stream.bit_time for frame in overloads])
    over = over[over < stream.edges.size]
    begun = np.searchsorted(frames.starts, stream.edges[over] + 0.5 * stream.bit_time)
    apart = np.abs(frames.starts[np.maximum(begun - 1, 0)] - stream.edges[over]) > 0.5 * stream.bit_time
    return np.unique(np.concatenate([found, stream.synced[over[apart]]]))


def _inside_flexible(frames: Frames, flexible: Flags, may_be_data: Flags, margin: float) -> Flags:
    """What was taken for frames and is data of a CAN FD frame: within it, or after the place where it ended.

    `margin` : s, by which what begins right at the end of a frame may seem to begin before it.
    """
    inside = np.zeros(len(frames), dtype=np.bool_)
    end, broke_off, wrong = -np.inf, False, frames.has_errors
    for row in np.flatnonzero(flexible | may_be_data | np.append(False, flexible[:-1])).tolist():
        inside[row] = may_be_data[row] if broke_off else frames.starts[row] < end - margin
        if not inside[row]:
            broke_off = bool(flexible[row] and wrong[row])
            end = float(frames.ends[row]) if flexible[row] else -np.inf
    return inside


def _measured_rate(stream: BitStream) -> float:
    """bit/s, from the distances of edges to dominant that are at most ten bits apart; 0.0 where there are none."""
    bits, times = np.diff(stream.synced[:EDGES_FOR_RATE]), np.diff(stream.edges[:EDGES_FOR_RATE])
    near = (bits <= 10) & (bits > 0) & (times < 11 * stream.bit_time)
    weight = float((bits[near] * times[near]).sum())
    return float((bits[near] * bits[near]).sum()) / weight if weight else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Heads:
    """What is before the data of each frame."""

    identifier: Indexes
    extended: Flags
    remote: Flags
    length: Indexes
    flexible: Flags
    data: Indexes  # unstuffed index of the first data bit, from the start of the frame
    end: Indexes  # and the one after the CRC


def _heads(bits: Flags, first: Indexes) -> _Heads:
    padded = np.append(bits, np.ones(EXTENDED_DATA + 1, dtype=np.bool_))
    rows = np.lib.stride_tricks.sliding_window_view(padded, EXTENDED_DATA + 1)[first]

    def number(offset: int, count: int) -> Indexes:
        weights: Indexes = rows[:, offset : offset + count] @ (1 << np.arange(count)[::-1])
        return weights

    def flag(offset: int) -> Flags:
        return rows[:, offset]

    extended = flag(13)
    length = np.where(extended, number(35, 4), number(15, 4))
    remote = np.where(extended, flag(32), flag(12))
    data = np.where(extended, EXTENDED_DATA, BASE_DATA)
    count = np.where(remote, 0, np.minimum(length, 8))
    return _Heads(
        np.where(extended, number(1, 11) << 18 | number(14, 18), number(1, 11)),
        extended,
        remote,
        length,
        np.where(extended, flag(33), flag(14)),
        data,
        data + 8 * count + CRC_BITS,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Ends:
    """Where each frame ends, as indices of raw bits, and why; `known` is how many unstuffed bits of it can be read."""

    after: Indexes  # the next start of frame, or the end of the record
    delimiter: Indexes  # the CRC delimiter, if nothing breaks the frame before
    sixth: Indexes  # the first bit that breaks the stuffing rule
    broken: Flags
    cut: Flags
    overrun: Flags  # the next frame begins before the CRC ends
    known: Indexes

    @property
    def whole(self) -> Flags:
        """Frames that can be read to their end."""
        return ~self.broken & ~self.cut & ~self.overrun


def _ends(stream: BitStream, starts: Indexes, head: _Heads, sent: _Sent) -> _Ends:
    size = stream.bits.size
    after = np.append(starts[1:], size)
    last = sent.raw(sent.first + head.end - 1)  # of the CRC
    delimiter = last + 1 + _holds(stream.stuffed, last + 1, last + 2)
    sixth = np.append(stream.sixths, size)[np.searchsorted(stream.sixths, starts)]
    broken = (sixth <= last + 1) & (sixth < after)  # the CRC may end with five equal bits: a stuff bit follows then
    overrun = (delimiter > after) & ~broken & (after < size)
    cut = (delimiter + TRAILER > after) & ~broken & (after == size)
    known = sent.place(np.minimum(np.where(broken, sixth, after), after)) - sent.first
    return _Ends(after, delimiter, sixth, broken, cut, overrun, known)


class _Sent:
    """The bits without the stuff bits, and where each frame begins among them."""

    def __init__(self, stream: BitStream, starts: Indexes) -> None:
        is_kept = np.ones(stream.bits.size, dtype=np.bool_)
        is_kept[stream.stuffed] = False
        self.bits: Flags = stream.bits[is_kept]
        self._size = stream.bits.size
        self._stuffed = stream.stuffed
        self._before = stream.stuffed - np.arange(stream.stuffed.size)  # bits kept before each stuff bit
        self.first = self.place(starts)

    def place(self, raw: Indexes) -> Indexes:
        """Where raw bits, or the first one after them that is not a stuff bit, are among those that are kept."""
        return raw - np.searchsorted(self._stuffed, raw)

    def raw(self, place: Indexes) -> Indexes:
        """Index among the raw bits; the end of the record for those after it."""
        index = place + np.searchsorted(self._before, place, side="right")
        return np.where(place < self.bits.size, index, self._size)


def _read(stream: BitStream, starts: Indexes, facts: dict[str, float]) -> tuple[Frames, Flags, list[Frame]]:
    """All frames as classical ones, which of them are not, and overload frames after those that are."""
    sent = _Sent(stream, starts)
    head = _heads(sent.bits, sent.first)
    ends = _ends(stream, starts, head, sent)
    trailer = _trailers(stream, ends)
    flags = _error_flags(stream)
    # one that begins when a frame is over asks for time
    until = np.where(ends.whole, np.minimum(ends.delimiter + TRAILER, ends.after), ends.after)
    flagged = _holds(flags, starts, until)
    is_error = flagged & ends.broken
    told, computed = _checks(sent.bits, sent.first, head, ends.whole)
    answered = {"crc": Numbers(told, ends.whole), "acknowledged": Numbers(~trailer[:, 1], ends.whole)}
    errors = {
        "crc": ends.whole & (told != computed),
        "stuff": ends.broken & ~is_error,
        "form": ends.overrun | ends.whole & ~(trailer[:, 0] & trailer[:, 2:].all(axis=1)),
        "error flag": flagged,
        "not acknowledged": ends.whole & trailer[:, 1],
        "cut": ends.cut,
        "glitch": _holds(stream.short_pulses, starts, np.minimum(ends.delimiter, ends.after)),
    }
    kinds = np.where(is_error, 2, np.where(head.remote & (ends.known > head.data - 6), 1, 0)).astype(np.int8)
    begin, end = stream.time_of(starts), _end_times(stream, ends)
    frames = Frames(
        begin,
        end,
        Words(kinds, KINDS),
        _columns(sent.bits, sent.first, head, ends.known, answered),
        errors=errors,
        facts=facts,
    )
    flexible = head.flexible & (ends.known > np.where(head.extended, 33, 14))
    over = ends.whole & ~flexible & _holds(flags, until, ends.after)
    return frames, flexible, _overload_frames(stream, flags, until[over], ends.after[over])


def _overload_frames(stream: BitStream, flags: Indexes, first: Indexes, after: Indexes) -> list[Frame]:
    """The flags within some portions as frames: six dominant bits or more, and eight recessive ones."""
    found = []
    for begin, end in zip(first.tolist(), after.tolist(), strict=True):
        for flag in flags[np.searchsorted(flags, begin) : np.searchsorted(flags, end)].tolist():
            closing = int(_end_of_error(stream, np.array([flag]))[0])
            start, last = stream.time_of(np.array([flag, closing - 1]))
            found.append(Frame(float(start), float(last) + stream.bit_time, "overload"))
    return found


def _trailers(stream: BitStream, ends: _Ends) -> Flags:
    """CRC delimiter, acknowledge slot and delimiter, and end of frame of each frame, shape (n, 10)."""
    padded = np.append(stream.bits, np.ones(TRAILER, dtype=np.bool_))
    return np.lib.stride_tricks.sliding_window_view(padded, TRAILER)[np.minimum(ends.delimiter, stream.bits.size)]


def _columns(
    bits: Flags,
    first: Indexes,
    head: _Heads,
    known: Indexes,
    answered: dict[str, Numbers],
) -> dict[str, Column]:
    sizes = np.where(known >= head.end - CRC_BITS, (head.end - CRC_BITS - head.data) // 8, 0)
    begin = np.cumsum(sizes) - sizes
    values = Octets(bits).at(np.repeat(first + head.data, sizes) + 8 * piece_indices(np.zeros_like(sizes), sizes))
    named = known > np.where(head.extended, 31, 13)
    return {
        "identifier": Numbers(head.identifier, named),
        "extended": Numbers(head.extended, named),
        "remote": Numbers(head.remote, known > np.where(head.extended, 32, 13)),
        "length": Numbers(head.length, known >= head.data),
        "data": Pieces(values, begin, begin + sizes, known >= head.end - CRC_BITS),
        **answered,
    }


def _checks(bits: Flags, first: Indexes, head: _Heads, whole: Flags) -> tuple[CheckWords, ...]:
    """The CRC as sent and as computed; 0 for frames that are not whole."""
    sent, computed = np.zeros(first.size, dtype=np.uint64), np.zeros(first.size, dtype=np.uint64)
    begin, end = first[whole], first[whole] + head.end[whole] - CRC_BITS
    if begin.size:
        weights = 1 << np.arange(CRC_BITS, dtype=np.int64)[::-1]
        sent[whole] = (bits[end[:, None] + np.arange(CRC_BITS)] @ weights).astype(np.uint64)
        computed[whole] = crc_of_bits(bits, begin, end, CRCS["can15"])
    return sent, computed


def _error_flags(stream: BitStream) -> Indexes:
    """First bit of each active error or overload flag: six or more dominant bits, eight or more recessive after."""
    lengths = stream.lengths
    long = np.flatnonzero((lengths[:-1] >= 6) & (lengths[1:] >= 8))
    return stream.runs[long[~stream.bits[stream.runs[long]]]]


def _end_of_error(stream: BitStream, sixth: Indexes) -> Indexes:
    """Index of the bit after the eight recessive ones that close an error frame."""
    run = np.minimum(np.searchsorted(stream.runs, sixth, side="right"), stream.runs.size - 1)
    closing: Indexes = stream.runs[run] + 8
    return closing


def _end_times(stream: BitStream, ends: _Ends) -> Floats:
    """When each frame ends, s: with its end of frame, its error delimiter, or where it is cut off."""
    whole = np.where(ends.whole, ends.delimiter + TRAILER, ends.after)
    index = np.where(ends.broken, np.minimum(_end_of_error(stream, ends.sixth), ends.after), whole)
    return stream.time_of(np.maximum(index, 1) - 1) + stream.bit_time


def _holds(places: Indexes, first: Indexes, last: Indexes) -> Flags:
    """Which spans of indices hold at least one of some places."""
    return np.asarray(np.searchsorted(places, last) > np.searchsorted(places, first))
