"""UART: characters on an asynchronous start-stop line.

Start bit low, data, parity if any, stop high (start-stop and parity as in ISO 1177 and ITU-T V.4, from memory). The
receiver locks on the start edge and reads each bit in its middle, k + 0.5 bit times later, so setting and line may
differ by 0.5 / (n − 0.5) for a character of n bits (5.3 % for 8N1, 4.8 % for 8E1). The bits of all characters are
found at once: an edge at a distance of x bits turns over all bits whose middle comes after it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt

from wavewright.buses.bit_rate import find_bit_time, rate_scale
from wavewright.buses.catalogue import bus
from wavewright.buses.character_starts import character_starts
from wavewright.buses.columns import Flags, Indexes, Numbers, Words
from wavewright.buses.frames import Frames
from wavewright.buses.logic import Line
from wavewright.errors import Misuse, NotMeasurable
from wavewright.waveform import Floats

SHORTEST_PULSE = 0.45  # bits; below it a pulse inside a character is a glitch
EDGE_TOLERANCE = 0.3  # bits, and one sample: an edge further off than that belongs to no bit boundary
BREAK_MARGIN = 0.25  # bits beyond a whole character before a low line is a break and not a framing error
EDGES_FOR_RATE = 200_000


@dataclass(frozen=True, slots=True)
class Character:
    """The make-up of a character: data bits, parity and stop bits."""

    data_bits: int
    parity: str
    stop_bits: float

    @property
    def bits(self) -> float:
        """Length with start and stop bits, in bit times."""
        return 1 + self.data_bits + (self.parity != "none") + self.stop_bits

    @property
    def read_bits(self) -> int:
        """Number of bits that have a middle to be read in: half a stop bit has none."""
        return int(self.bits)


@bus(
    "uart",
    channels=("tx",),
    source="start-stop and parity: ISO 1177, ITU-T V.4 (from memory); break, false start: common practice, no source",
)
def uart(
    tx: Line,
    *,
    baud: Annotated[float, "Bd"] | Literal["auto"] = "auto",
    data_bits: int = 8,
    parity: Literal["none", "even", "odd", "mark", "space"] = "none",
    stop_bits: Annotated[float, "1"] = 1.0,
    inverted: bool = False,
    bit_order: Literal["lsb", "msb"] = "lsb",
) -> Frames:
    """Characters on an asynchronous start-stop line, one frame each.

    Fields: `data` (int; absent where the record ends inside the character). Kinds: `character`, `break`.
    A low pulse of less than half a bit in idle is a false start and ignored. The record is taken to begin in idle
    where the line is high; where it begins low, characters are marked `unsynchronised` until only one place for the
    next start bit is left.

    Parameters
    ----------
    baud : bit/s; `auto` takes the shortest pulse that occurs often for a bit.
    data_bits : 5 … 9.
    stop_bits : 1, 1.5 or 2.
    inverted : for a line that idles low, such as an RS-232 wire.
    """
    made = _checked(data_bits, parity, stop_bits)
    line = tx.inverted() if inverted else tx
    try:
        bit = find_bit_time(line) if baud == "auto" else 1.0 / float(baud)
    except NotMeasurable:
        bit = math.nan
    facts = {"record_start": line.start, "record_end": line.end, "bits": made.bits}
    if not bit > 0 or not line.times.size:
        return Frames([], [], "character", {}, facts=facts)
    found = _characters(line, bit, made, bit_order)
    nominal = 0.0 if baud == "auto" else float(baud)
    return _as_frames(line, bit, made, found, facts | {"nominal_bit_rate": nominal, "character": made.bits * bit})


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """What was read, one entry a character."""

    starts: Floats
    lows: Floats  # s, how long the line stayed low from the start edge
    word: npt.NDArray[np.uint32]  # the bits as they came, start bit in bit 0
    data: npt.NDArray[np.uint32]
    unsure: Flags
    glitch: Flags
    off_clock: Flags
    scale: float
    spread: float


def _checked(data_bits: int, parity: str, stop_bits: float) -> Character:
    if not 5 <= data_bits <= 9:
        raise Misuse(f"uart: `data_bits` is `{data_bits}`", expected="5 .. 9")
    if stop_bits not in (1.0, 1.5, 2.0):
        raise Misuse(f"uart: `stop_bits` is `{stop_bits:g}`", expected="1, 1.5 or 2")
    return Character(data_bits, parity, stop_bits)


def _characters(line: Line, bit: float, made: Character, bit_order: str) -> _Found:
    offset = int(not line.first)  # index of the first falling edge among all edges
    chosen, unsure = character_starts(line, bit, made.bits)
    edges = offset + 2 * chosen  # index of each start edge
    times = line.times[edges[0] :] if edges.size else np.empty(0)
    counts = np.diff(edges, append=line.times.size)
    starts = line.times[edges]
    places = (times - np.repeat(starts, counts)) / bit
    first_read = np.ceil(places - 0.5)  # the first bit whose middle is not before the edge
    inside = first_read < made.read_bits
    turns = np.left_shift(np.uint32(0xFFFFFFFF), np.minimum(first_read, 31).astype(np.uint32))
    groups = edges - edges[0] if edges.size else edges
    word = ~np.bitwise_xor.reduceat(turns, groups) if edges.size else np.zeros(0, np.uint32)
    every = np.diff(times, append=max(line.end, times[-1]) if times.size else 0.0)
    is_narrow = every < SHORTEST_PULSE * bit
    is_narrow[-1:] = False  # the last pulse is cut off by the end of the record
    scale, spread = _scale(places, inside, groups)
    # the start edge is known no better than to a sample, and all edges of its character are compared with it
    spread = math.hypot(spread, line.interval / bit / made.bits / math.sqrt(3 * max(edges.size, 1)))
    scaled = places / scale
    is_off = np.abs(scaled - np.rint(scaled)) > EDGE_TOLERANCE + line.interval / bit
    marks = (is_narrow.view(np.uint8) | is_off.view(np.uint8) << 1) * inside.view(np.uint8)
    marks = np.bitwise_or.reduceat(marks, groups) if groups.size else marks
    return _Found(
        starts,
        every[groups],
        word,
        _data(word, made, bit_order),
        unsure,
        marks & 1 != 0,
        marks & 2 != 0,
        scale,
        spread,
    )


def _scale(places: Floats, inside: Flags, groups: Indexes) -> tuple[float, float]:
    """Measured over assumed bit time, from falling edges where there are such: the start edge is one too."""
    part = slice(0, EDGES_FOR_RATE)
    ordinal = np.arange(places[part].size)
    begins = groups[np.searchsorted(groups, ordinal, side="right") - 1] if groups.size else ordinal
    falls = (ordinal - begins) % 2 == 0
    within = places[part][inside[part] & (places[part] > 0.5)]
    falling = places[part][inside[part] & (places[part] > 0.5) & falls]
    return rate_scale(falling if falling.size else within)


def _data(word: npt.NDArray[np.uint32], made: Character, bit_order: str) -> npt.NDArray[np.uint32]:
    data = (word >> np.uint32(1)) & np.uint32((1 << made.data_bits) - 1)
    if bit_order == "lsb":
        return data
    mirrored = np.zeros_like(data)
    for place in range(made.data_bits):
        mirrored |= ((data >> np.uint32(place)) & np.uint32(1)) << np.uint32(made.data_bits - 1 - place)
    return mirrored


def _as_frames(line: Line, bit: float, made: Character, found: _Found, facts: dict[str, float]) -> Frames:
    one = np.uint32(1)
    last_read = found.starts + (made.read_bits - 0.5) * bit
    cut = last_read >= line.end
    stops = made.read_bits - int(made.stop_bits)
    stop_mask = np.uint32(((1 << int(made.stop_bits)) - 1) << stops)
    is_break = found.lows > (made.bits + BREAK_MARGIN) * bit
    cut &= ~is_break
    framing = ((found.word & stop_mask) != stop_mask) & ~cut & ~is_break
    parity = np.zeros(found.starts.size, dtype=np.bool_)
    if made.parity != "none":
        sent = (found.word >> np.uint32(1 + made.data_bits)) & one
        parity = (sent != _wanted_parity(found.word, made)) & ~cut & ~is_break
    ends = np.where(is_break, found.starts + found.lows, np.minimum(found.starts + made.bits * bit, line.end))
    off_rate = abs(found.scale - 1) > 0.5 / (made.bits - 0.5) and found.spread < 0.01
    measured = 1 / (bit * found.scale) if math.isfinite(found.spread) else 0.0
    count = found.starts.size
    return Frames(
        found.starts,
        ends,
        Words(is_break.astype(np.int8), ("character", "break")),
        {"data": Numbers(found.data, ~(cut | is_break))},
        errors={
            "framing": framing,
            "parity": parity,
            "break": is_break,
            "cut": cut,
            "unsynchronised": found.unsure,
            "glitch": found.glitch & ~is_break,
            "timing": found.off_clock & ~is_break,
            "baud": np.full(count, off_rate),
            "polarity": np.full(count, _idles_low(line, made.bits * bit)),
        },
        facts=facts | {"bit_rate": measured, "bit_rate_uncertainty": measured * found.spread if measured else 0.0},
    )


def _wanted_parity(word: npt.NDArray[np.uint32], made: Character) -> npt.NDArray[np.uint32]:
    if made.parity in ("mark", "space"):
        return np.full(word.size, made.parity == "mark", dtype=np.uint32)
    bits = (word >> np.uint32(1)) & np.uint32((1 << made.data_bits) - 1)
    ones = np.bitwise_count(bits).astype(np.uint32)
    wanted: npt.NDArray[np.uint32] = (ones + np.uint32(made.parity == "odd")) & np.uint32(1)
    return wanted


def _idles_low(line: Line, character: float) -> bool:
    """The line rests low for longer than a character at an end of the record, and never high: wrong way round."""
    bounds = np.concatenate([[line.start], line.times, [line.end]])
    runs = np.diff(bounds)
    lows, highs = runs[int(line.first) :: 2], runs[int(not line.first) :: 2]
    ends_low = line.first == bool(line.times.size % 2)
    rests = (not line.first and runs[0] > character) or (ends_low and runs[-1] > character)
    return bool(rests and lows.size and highs.max(initial=0.0) < character)
