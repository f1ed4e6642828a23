"""Manchester code: every bit has an edge in its middle, and its direction is the bit.

IEEE 802.3, clause 7 †: a 1 is low in its first half and high in its second, so that it rises in its middle. The
inverted convention is older and still found on other lines. Constant data give no hint which edges are the middles:
one interval of a whole bit is needed to lock.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np

from wavewright.analysis.sense import POSITIVE
from wavewright.buses.catalogue import bus, nothing_more
from wavewright.buses.frames import Frames
from wavewright.buses.line.bit_rate import shortest_pulse
from wavewright.buses.line.columns import BitTexts, Flags, Indexes, Pieces
from wavewright.buses.line.logic import Line
from wavewright.buses.line.ragged import any_of_each, piece_indices
from wavewright.buses.vocabulary import BYTES, TEXT, Vocabulary
from wavewright.waveform import Floats

LONGEST = 2.5  # half bits: a longer interval ends a burst
TOLERANCE = 0.3  # half bits


@bus(
    "manchester",
    channels=("line",),
    source="IEEE 802.3, clause 7 †; the inverted convention: common practice",
    says=Vocabulary(
        kinds=("burst",), fields={"bits": TEXT, "data": BYTES}, errors=("timing", "cut", "sync", "incomplete")
    ),
    refuse=nothing_more,
)
def manchester(
    line: Line,
    *,
    bit_rate: Annotated[float, "bit/s", POSITIVE] | Literal["auto"] = "auto",
    convention: Literal["ieee", "inverted"] = "ieee",
    bit_order: Literal["msb", "lsb"] = "msb",
) -> Frames:
    """Bursts in Manchester code, one frame from one idle time of the line to the next.

    Fields: `bits` (text, in the order of time), `data` (the whole bytes of them). A burst without an interval of a
    whole bit has the error `sync` and no fields, one with too little rest at an end of the record the error `cut`.

    Parameters
    ----------
    bit_rate : bit/s; `auto` takes the shortest pulse that occurs often for half a bit.
    convention : `ieee`: a 1 is low, then high; `inverted`: a 1 is high, then low.
    bit_order : of the bytes.
    """
    facts = {"record_start": line.start, "record_end": line.end}
    if line.times.size < 2:
        return Frames([], [], "burst", {}, facts=facts)
    half = shortest_pulse(line.times) if bit_rate == "auto" else 0.5 / float(bit_rate)
    bursts = _bursts(line.times / half)
    rising = (np.arange(line.times.size) & 1 == 0) ^ line.first
    ones = (rising if convention == "ieee" else ~rising)[bursts.middles]
    whole = (bursts.last - bursts.first) // 8 * 8
    data = np.packbits(ones[piece_indices(bursts.first, whole)], bitorder="big" if bit_order == "msb" else "little")
    ends = np.cumsum(whole // 8)
    edge = np.where(bursts.is_locked, half, 0.0)
    cut = np.zeros(bursts.begins.size, dtype=np.bool_)
    cut[:1] |= line.times[0] - line.start < LONGEST * half
    cut[-1:] |= line.end - line.times[-1] < LONGEST * half
    return Frames(
        line.times[bursts.begins] - edge,
        line.times[bursts.ends - 1] + edge,
        "burst",
        {
            "bits": BitTexts(ones, bursts.first, bursts.last, bursts.is_locked),
            "data": Pieces(data, ends - whole // 8, ends, bursts.is_locked),
        },
        errors={
            "timing": bursts.is_off,
            "cut": cut,
            "sync": ~bursts.is_locked,
            "incomplete": bursts.is_locked & (bursts.last - bursts.first > whole) & ~cut,
        },
        facts=facts | {"bit_rate": 0.5 / half},
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Bursts:
    """Edges `begins[k]:ends[k]` make burst k; `middles` are the edges in mid-bit, `first[k]:last[k]` of them its."""

    begins: Indexes
    ends: Indexes
    middles: Indexes
    first: Indexes
    last: Indexes
    is_locked: Flags
    is_off: Flags


def _bursts(times: Floats) -> _Bursts:
    """Bursts and their phase; times in half bits."""
    intervals = np.diff(times)
    rests = intervals > LONGEST
    begins = np.concatenate([[0], np.flatnonzero(rests) + 1])
    ends = np.append(begins[1:], times.size)
    steps = np.where(rests, 0, np.rint(intervals)).astype(np.int64)
    odd = np.concatenate([[0], np.cumsum(steps)]) & 1 != 0  # places within a burst, up to a common half bit
    whole = steps == 2
    votes = [np.concatenate([[0], np.cumsum(whole & (odd[:-1] == side))]) for side in (False, True)]
    even_votes, odd_votes = (vote[ends - 1] - vote[begins] for vote in votes)
    off = ~rests & ((np.abs(intervals - np.rint(intervals)) > TOLERANCE) | (steps < 1))
    is_locked = even_votes + odd_votes > 0
    phase = np.repeat(odd_votes > even_votes, ends - begins)
    middles = np.flatnonzero((odd == phase) & np.repeat(is_locked, ends - begins))
    return _Bursts(
        begins,
        ends,
        middles,
        np.searchsorted(middles, begins),
        np.searchsorted(middles, ends),
        is_locked,
        any_of_each(off, begins, ends - 1) | ((even_votes > 0) & (odd_votes > 0)),
    )
