"""CAN: data, remote and error frames of CAN 2.0 A and B, and of CAN FD, on one line or a differential pair.

CAN 2.0 parts A and B (CRC and data order seen in print, the rest from memory), ISO 11898-1 (from memory). Dominant is
low, as at a transceiver's receive pin.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt

from wavewright.buses.bit_rate import find_bit_time
from wavewright.buses.can_bits import BitStream, bit_stream, frame_starts
from wavewright.buses.can_fd import with_flexible_frames
from wavewright.buses.catalogue import bus
from wavewright.buses.checksums import CRCS, crc_of_bits
from wavewright.buses.columns import Column, Flags, Indexes, Numbers, Runs, Words
from wavewright.buses.frames import Frames
from wavewright.buses.logic import Line
from wavewright.buses.ragged import spread
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

BASE_DATA, EXTENDED_DATA = 19, 39  # unstuffed bits before the first data bit
CRC_BITS = 15
TRAILER = 10  # CRC delimiter, acknowledge slot and delimiter, seven bits of end of frame
KINDS = ("data", "remote", "error", "flexible data")


@bus(
    "can",
    channels=("line",),
    differential=("high", "low"),
    levels="can",
    source="CAN 2.0 A and B; ISO 11898-1, CAN FD included (from memory but for the CRCs)",
)
def can(
    line: Line,
    *,
    bit_rate: Annotated[float, "Bd"] | Literal["auto"] = "auto",
    data_bit_rate: Annotated[float, "Bd"] | None = None,
    sample_point: Annotated[float, "1"] = 0.75,
    data_sample_point: Annotated[float, "1"] = 0.75,
) -> Frames:
    """Frames on a CAN bus: base and extended, data, remote and error frames, and CAN FD.

    Fields: `identifier`, `extended`, `remote`, `length` (the data length code), `data`, `crc` (as sent),
    `acknowledged`; for CAN FD also `fast` (bit rate switched) and `error_passive`. Kinds: `data`, `remote`, `error`
    (destroyed by an error flag), `flexible data`. After a stuff error only the fields before it are told. A frame at
    the beginning of the record with less than 11 recessive bits before it is told only if nothing is wrong with it.

    Parameters
    ----------
    bit_rate : bit/s; in the arbitration phase for CAN FD. `auto` takes the shortest pulse that occurs often.
    data_bit_rate : bit/s, of the data phase where a CAN FD frame switches; None: as `bit_rate`.
    sample_point, data_sample_point : where in a bit it is read.
    """
    facts = {"record_start": line.start, "record_end": line.end}
    try:
        bit_time = find_bit_time(line) if bit_rate == "auto" else 1 / float(bit_rate)
    except NotMeasurable:
        return Frames([], [], "data", {}, facts=facts)
    if not line.falling.size:
        return Frames([], [], "data", {}, facts=facts)
    stream = bit_stream(line, bit_time=bit_time, sample_point=sample_point)
    starts, is_guess = frame_starts(stream, line)
    facts |= {"nominal_bit_rate": 0.0 if bit_rate == "auto" else float(bit_rate), "bit_rate": _measured_rate(stream)}
    frames, flexible = _read(stream, starts, facts)
    if flexible.any():
        fast_time = bit_time if data_bit_rate is None else 1 / data_bit_rate
        times, points = (bit_time, fast_time), (sample_point, data_sample_point)
        frames = with_flexible_frames(frames, flexible, line, times=times, points=points)
    if is_guess and len(frames) and frames.has_errors[0]:
        frames = frames[1:]
    return frames


def _measured_rate(stream: BitStream) -> float:
    """bit/s, from the distances of edges to dominant that are at most ten bits apart; 0.0 where there are none."""
    bits, times = np.diff(stream.synced), np.diff(stream.edges)
    near = (bits <= 10) & (bits > 0) & (times < 11 * stream.bit_time)
    weight = float((bits[near] * times[near]).sum())
    return float((bits[near] * bits[near]).sum()) / weight if weight else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Heads:
    """What stands before the data of each frame."""

    identifier: npt.NDArray[np.int64]
    extended: Flags
    remote: Flags
    length: npt.NDArray[np.int64]
    flexible: Flags
    data: Indexes  # unstuffed index of the first data bit, from the start of the frame
    end: Indexes  # and the one behind the CRC


def _heads(bits: Flags, first: Indexes) -> _Heads:
    padded = np.append(bits, np.ones(EXTENDED_DATA + 1, dtype=np.bool_))

    def number(offset: int, count: int) -> npt.NDArray[np.int64]:
        columns = padded[first[:, None] + offset + np.arange(count)]
        weights: npt.NDArray[np.int64] = columns @ (1 << np.arange(count, dtype=np.int64)[::-1])
        return weights

    def flag(offset: int) -> Flags:
        return np.asarray(padded[first + offset])

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

    behind: Indexes  # the next start of frame, or the end of the record
    delimiter: Indexes  # the CRC delimiter, if nothing breaks the frame before
    sixth: Indexes  # the first bit that breaks the stuffing rule
    broken: Flags
    cut: Flags
    known: Indexes

    @property
    def whole(self) -> Flags:
        """Frames that can be read to their end."""
        return ~self.broken & ~self.cut


def _ends(stream: BitStream, kept: Indexes, starts: Indexes, first: Indexes, head: _Heads) -> _Ends:
    """`kept` are the raw indices of all bits that are no stuff bits, `first` where in it each frame starts."""
    size = stream.bits.size
    behind = np.append(starts[1:], size)
    last = np.append(kept, size)[np.minimum(first + head.end - 1, kept.size)]  # of the CRC
    delimiter = last + 1 + np.append(stream.stuffed, [False, False])[np.minimum(last + 1, size)]
    sixth = np.append(stream.sixths, size)[np.searchsorted(stream.sixths, starts)]
    broken = (sixth <= last + 1) & (sixth < behind)  # the CRC may end with five equal bits: a stuff bit is due then
    cut = (delimiter + TRAILER > behind) & ~broken & (behind == size)
    known = np.searchsorted(kept, np.minimum(np.where(broken, sixth, behind), behind)) - first
    return _Ends(behind, delimiter, sixth, broken, cut, known)


def _read(stream: BitStream, starts: Indexes, facts: dict[str, float]) -> tuple[Frames, Flags]:
    """All frames as classical ones, and which of them are not."""
    kept = np.flatnonzero(~stream.stuffed)
    bits = stream.bits[kept]
    first = np.searchsorted(kept, starts)
    head = _heads(bits, first)
    ends = _ends(stream, kept, starts, first, head)
    trailer = _trailers(stream, ends)
    flagged = _error_flags(stream, starts, ends.behind)
    is_error = flagged & ends.broken
    sent, computed = _checks(bits, first, head, ends.whole)
    told = {"crc": Numbers(sent, ends.whole), "acknowledged": Numbers(~trailer[:, 1], ends.whole)}
    errors = {
        "crc": ends.whole & (sent != computed),
        "stuff": ends.broken & ~is_error,
        "form": ends.whole & ~(trailer[:, 0] & trailer[:, 2:].all(axis=1)),
        "error flag": flagged,
        "not acknowledged": ends.whole & trailer[:, 1],
        "cut": ends.cut,
        "glitch": _holds(stream.short_pulses, starts, np.minimum(ends.delimiter, ends.behind)),
    }
    kinds = np.where(is_error, 2, np.where(head.remote & (ends.known > head.data - 6), 1, 0)).astype(np.int8)
    begin, end = stream.time_of(starts), _end_times(stream, ends)
    return Frames(
        begin,
        end,
        Words(kinds, KINDS),
        _columns(bits, first, head, ends.known, told),
        errors=errors,
        facts=facts,
    ), head.flexible & (ends.known > np.where(head.extended, 33, 14))


def _trailers(stream: BitStream, ends: _Ends) -> Flags:
    """CRC delimiter, acknowledge slot and delimiter, and end of frame of each frame, shape (n, 10)."""
    padded = np.append(stream.bits, np.ones(TRAILER, dtype=np.bool_))
    return np.asarray(padded[np.minimum(ends.delimiter, stream.bits.size)[:, None] + np.arange(TRAILER)])


def _columns(
    bits: Flags,
    first: Indexes,
    head: _Heads,
    known: Indexes,
    told: dict[str, Numbers],
) -> dict[str, Column]:
    sizes = np.where(known >= head.end - CRC_BITS, (head.end - CRC_BITS - head.data) // 8, 0)
    values = np.packbits(bits[spread(first + head.data, 8 * sizes)])
    begin = np.cumsum(sizes) - sizes
    named = known > np.where(head.extended, 31, 13)
    return {
        "identifier": Numbers(head.identifier, named),
        "extended": Numbers(head.extended, named),
        "remote": Numbers(head.remote, known > np.where(head.extended, 32, 13)),
        "length": Numbers(head.length, known >= head.data),
        "data": Runs(values, begin, begin + sizes, known >= head.end - CRC_BITS),
        **told,
    }


def _checks(bits: Flags, first: Indexes, head: _Heads, whole: Flags) -> tuple[npt.NDArray[np.uint64], ...]:
    """The CRC as sent and as computed; 0 for frames that are not whole."""
    sent, computed = np.zeros(first.size, dtype=np.uint64), np.zeros(first.size, dtype=np.uint64)
    begin, end = first[whole], first[whole] + head.end[whole] - CRC_BITS
    if begin.size:
        weights = 1 << np.arange(CRC_BITS, dtype=np.int64)[::-1]
        sent[whole] = (bits[end[:, None] + np.arange(CRC_BITS)] @ weights).astype(np.uint64)
        computed[whole] = crc_of_bits(bits, begin, end, CRCS["can15"])
    return sent, computed


def _error_flags(stream: BitStream, starts: Indexes, behind: Indexes) -> Flags:
    """Frames that hold an active error flag: six or more dominant bits and eight or more recessive ones behind."""
    lengths, level = stream.lengths, stream.bits[stream.runs[:-1]]
    long = np.flatnonzero((lengths[:-1] >= 6) & ~level[:-1] & (lengths[1:] >= 8))
    return _holds(stream.runs[long], starts, behind)


def _end_of_error(stream: BitStream, sixth: Indexes) -> Indexes:
    """Index of the bit behind the eight recessive ones that close an error frame."""
    run = np.minimum(np.searchsorted(stream.runs, sixth, side="right"), stream.runs.size - 1)
    closing: Indexes = stream.runs[run] + 8
    return closing


def _end_times(stream: BitStream, ends: _Ends) -> Floats:
    """When each frame ends, s: with its end of frame, its error delimiter, or where it is cut off."""
    whole = np.where(ends.whole, ends.delimiter + TRAILER, ends.behind)
    index = np.where(ends.broken, np.minimum(_end_of_error(stream, ends.sixth), ends.behind), whole)
    return stream.time_of(np.maximum(index, 1) - 1) + stream.bit_time


def _holds(places: Indexes, first: Indexes, last: Indexes) -> Flags:
    """Which spans of indices hold at least one of some places."""
    return np.asarray(np.searchsorted(places, last) > np.searchsorted(places, first))
