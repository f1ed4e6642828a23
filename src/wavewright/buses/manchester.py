"""Manchester code: every bit has an edge in its middle, and its direction is the bit.

IEEE 802.3, clause 7 (from memory): a rising edge is 1. The opposite convention is G. E. Thomas's. Constant data give
no hint which edges are the middles: one interval of a whole bit is needed to lock.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

import numpy as np

from wavewright.buses.bit_rate import shortest_pulse
from wavewright.buses.catalogue import bus
from wavewright.buses.columns import Flags
from wavewright.buses.frame import Frame
from wavewright.buses.frames import Frames
from wavewright.buses.logic import Line
from wavewright.waveform import Floats

LONGEST = 2.5  # half bits: a longer interval ends a burst
TOLERANCE = 0.3  # half bits


@bus("manchester", channels=("line",), source="IEEE 802.3, clause 7 (from memory); G. E. Thomas: common practice")
def manchester(
    line: Line,
    *,
    bit_rate: Annotated[float, "Bd"] | Literal["auto"] = "auto",
    convention: Literal["ieee", "thomas"] = "ieee",
    bit_order: Literal["msb", "lsb"] = "msb",
) -> Frames:
    """Bursts in Manchester code, one frame from a rest of the line to the next.

    Fields: `bits` (text, in the order of time), `data` (the whole bytes of them). A burst without an interval of a
    whole bit has the error `sync` and no fields.

    Parameters
    ----------
    bit_rate : bit/s; `auto` takes the shortest pulse that occurs often for half a bit.
    convention : `ieee`: a rising edge is 1; `thomas`: a falling one.
    bit_order : of the bytes.
    """
    facts = {"record_start": line.start, "record_end": line.end}
    if line.times.size < 2:
        return Frames([], [], "burst", {}, facts=facts)
    half = shortest_pulse(line.times) if bit_rate == "auto" else 0.5 / float(bit_rate)
    begins = np.flatnonzero(np.concatenate([[True], np.diff(line.times) > LONGEST * half]))
    ends = np.append(begins[1:], line.times.size)
    rising = (np.arange(line.times.size) & 1 == 0) ^ line.first
    ones = rising if convention == "ieee" else ~rising
    frames = [
        _burst(line.times[first:last], ones[first:last], half, bit_order)
        for first, last in zip(begins.tolist(), ends.tolist(), strict=True)
    ]
    return Frames.of(frames, facts=facts | {"bit_rate": 0.5 / half})


def _burst(times: Floats, ones: Flags, half: float, bit_order: str) -> Frame:
    intervals = np.diff(times) / half
    steps = np.rint(intervals).astype(np.int64)
    words = []
    if (np.abs(intervals - steps) > TOLERANCE).any() or (steps < 1).any():
        words.append("timing")
    places = np.concatenate([[0], np.cumsum(steps)])
    middles = np.concatenate([places[:-1][steps == 2], places[1:][steps == 2]]) % 2
    if not middles.size:
        return Frame(float(times[0]), float(times[-1]), "burst", {}, (*words, "sync"))
    phase = int(np.median(middles))
    if (middles != phase).any():
        words.append("timing")
    bits = ones[places % 2 == phase]
    fields: dict[str, Any] = {"bits": "".join("01"[bit] for bit in bits.tolist())}
    whole = bits.size // 8 * 8
    fields["data"] = np.packbits(bits[:whole], bitorder="big" if bit_order == "msb" else "little").tobytes()
    if bits.size > whole:
        words.append("incomplete")
    return Frame(float(times[0] - half), float(times[-1] + half), "burst", fields, tuple(dict.fromkeys(words)))
