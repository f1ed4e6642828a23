"""UART: characters on an asynchronous start-stop line.

Start bit low, data, parity if any, stop high (start-stop and parity as in ISO 1177 and ITU-T V.4 †). The
receiver locks on the start edge and reads each bit in its middle, k + 0.5 bit times later, so setting and line may
differ by 0.5 / (n − 0.5) for a character of n bits (5.3 % for 8N1, 4.8 % for 8E1). The bits of all characters are
found at once: an edge at a distance of x bits turns over all bits whose middle comes after it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

import numpy as np

from wavewright.analysis.sense import POSITIVE, Sense
from wavewright.buses.catalogue import bus, nothing_more
from wavewright.buses.frames import Frames
from wavewright.buses.line.bit_rate import find_bit_time, rate_scale
from wavewright.buses.line.columns import Flags, Indexes, Numbers, Words
from wavewright.buses.line.logic import Line
from wavewright.buses.uart.character_starts import character_starts
from wavewright.buses.vocabulary import Vocabulary, number
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats

if TYPE_CHECKING:
    import numpy.typing as npt

SHORTEST_PULSE = 0.45  # bits; below it a pulse inside a character is a glitch
SHORTEST_COUNTED = 0.75  # bits; edges beside a shorter pulse say nothing about the rate
EDGE_TOLERANCE = 0.3  # bits; an edge further off than that belongs to no bit boundary
MARGIN = 0.05  # bits beyond a sample, where that is more
NEAREST = 0.42  # bits: further off it is so near to where a bit is read that this may be the wrong side of it
FEWEST_SAMPLES = 2.5  # a bit
RATE_TAKEN = 0.05  # bits over a character: if the rate is off by more, start bits are looked for once more
EARLY = 0.25  # bits: so much sooner than after one and a half stop bits no character begins
BREAK_MARGIN = 0.25  # bits beyond a whole character before a low line is a break and not a framing error
EDGES_FOR_RATE = 1 << 16
MOST_SCATTER = 0.15  # bits, and half a sample: of edges that have a rate
WELL_KNOWN, KNOWN = 0.05, 0.2  # bits over a character: uncertainty of a rate that is measured well, or at all
SURE = 0.01  # relative uncertainty of a measured rate that can be distinguished from the set one
WINDOW = 1 << 14  # characters: what is made of their edges stays in the cache
NARROW, OFF_CLOCK = 1, 2  # marks of edges
ALL_BITS = 0xFFFF_FFFF


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
    source="start-stop and parity: ISO 1177, ITU-T V.4 †; break, false start: common practice, no source",
    says=Vocabulary(
        kinds=("character", "break"),
        fields={"data": number(0, 0x1FF)},
        errors=(
            "framing",
            "parity",
            "break",
            "cut",
            "unsynchronised",
            "glitch",
            "timing",
            "undersampled",
            "baud",
            "polarity",
        ),
    ),
    refuse=nothing_more,
)
def uart(
    tx: Line,
    *,
    baud: Annotated[float, "Bd", POSITIVE] | Literal["auto"] = "auto",
    data_bits: Annotated[int, Sense(least=5, most=9)] = 8,
    parity: Literal["none", "even", "odd", "mark", "space"] = "none",
    stop_bits: Annotated[float, "", Sense(among=(1.0, 1.5, 2.0))] = 1.0,
    inverted: bool = False,
    bit_order: Literal["lsb", "msb"] = "lsb",
) -> Frames:
    """Characters on an asynchronous start-stop line, one frame each.

    Fields: `data` (int; absent where the record ends inside the character). Kinds: `character`, `break`.
    A low pulse of less than half a bit in idle is a false start and ignored. Unless the record begins with nearly a
    character of idle, characters are marked `unsynchronised` until only one place for the next start bit is left.

    Parameters
    ----------
    baud : Bd; `auto` takes the shortest pulse that occurs often for a bit.
    data_bits : 5 … 9.
    stop_bits : 1, 1.5 or 2.
    inverted : for a line that idles low, such as an RS-232 wire.
    """
    make_up = Character(data_bits, parity, stop_bits)
    line = tx.inverted() if inverted else tx
    try:
        bit = find_bit_time(line) if baud == "auto" else 1.0 / float(baud)
    except NotMeasurable:
        bit = math.nan
    facts = {"record_start": line.start, "record_end": line.end, "bits": make_up.bits, "data_bits": data_bits}
    if not bit > 0 or not line.times.size:
        return Frames([], [], "character", {}, facts=facts)
    found = _characters(line, bit, make_up, bit_order)
    nominal = 0.0 if baud == "auto" else float(baud)
    facts |= {"nominal_bit_rate": nominal, "character": make_up.bits * found.bit}
    return _as_frames(line, make_up, found, facts)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """What was read, one entry per character."""

    starts: Floats
    lows: Floats  # s, how long the line stayed low from the start edge
    word: npt.NDArray[np.uint32]  # the bits as they came, start bit in bit 0
    data: npt.NDArray[np.uint32]
    unsure: Flags
    glitch: Flags
    off_clock: Flags
    bit: float  # s, by which they were read
    rate: float  # bit/s, measured; 0.0 where there is nothing to measure it by
    spread: float  # its relative uncertainty
    off_rate: bool


def _characters(line: Line, bit: float, make_up: Character, bit_order: str) -> _Found:
    sound = _is_sound(line, bit, make_up)
    chosen, unsure, disturbed = character_starts(line, bit, make_up.bits, sound)
    edges = int(not line.first) + 2 * chosen  # index of each start edge among all edges
    scale, spread = _scale(line, bit, make_up, edges)
    rate = 1 / (bit * scale) if math.isfinite(spread) else 0.0
    is_far = abs(1 / scale - 1) - 2 * spread > 0.5 / (make_up.bits - 0.5)
    if spread * make_up.bits > KNOWN:
        scale, rate = 1.0, 0.0 if spread == math.inf else rate
    elif not is_far:
        bit *= scale
        if abs(scale - 1) * make_up.bits > RATE_TAKEN:
            sound = _is_sound(line, bit, make_up)
            chosen, unsure, disturbed = character_starts(line, bit, make_up.bits, sound)
            edges = int(not line.first) + 2 * chosen
        scale = 1.0
    bounds = np.append(edges, line.times.size)
    parts = [
        _read(line, bit, make_up, bounds[begin : begin + WINDOW + 1], scale) for begin in range(0, edges.size, WINDOW)
    ]
    parts = parts or [_read(line, bit, make_up, bounds, scale)]
    lows, word, marks = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    return _Found(
        line.times[edges],
        lows,
        word,
        _data(word, make_up, bit_order),
        unsure,
        (marks & NARROW != 0) | disturbed,
        marks & OFF_CLOCK != 0,
        bit,
        rate,
        spread,
        is_far and spread < SURE,
    )


def _is_sound(line: Line, bit: float, make_up: Character) -> Callable[[Floats], Flags]:
    """For start edges, whether start, parity and stop bits are what they have to be, read in the middle of each."""
    places = (np.arange(make_up.read_bits) + 0.5) * bit

    def sound(starts: Floats) -> Flags:
        high = line.is_high(starts[:, None] + places)
        word = (high * (np.uint32(1) << np.arange(make_up.read_bits, dtype=np.uint32))).sum(axis=1, dtype=np.uint32)
        good = ~high[:, 0] & high[:, make_up.read_bits - int(make_up.stop_bits) :].all(axis=1)
        if make_up.parity != "none":
            good &= high[:, 1 + make_up.data_bits] == (_wanted_parity(word, make_up) != 0)
        return np.asarray(good)

    return sound


def _read(
    line: Line, bit: float, make_up: Character, bounds: Indexes, scale: float
) -> tuple[Floats, npt.NDArray[np.uint32], npt.NDArray[np.uint8]]:
    """Some characters: how long each stayed low (s), its bits, and what is wrong with its edges.

    Parameters
    ----------
    bounds : index of each start edge, and the one after the last edge of the last character.
    """
    if bounds.size < 2:
        return np.empty(0), np.zeros(0, dtype=np.uint32), np.zeros(0, dtype=np.uint8)
    groups, counts = bounds[:-1] - bounds[0], np.diff(bounds)
    times = line.times[bounds[0] : bounds[-1]]
    is_last = bounds[-1] == line.times.size
    after = max(line.end, times[-1]) if is_last else line.times[bounds[-1]]
    pulses = np.empty(times.size)
    np.subtract(times[1:], times[:-1], out=pulses[:-1])
    pulses[-1] = after - times[-1]
    places = (times - np.repeat(times.take(groups), counts)) / bit
    first_read = np.ceil(places - 0.5)  # the first bit whose middle is not before the edge
    inside = first_read < make_up.read_bits
    turns = np.left_shift(np.uint32(ALL_BITS), np.minimum(first_read, 31.0).astype(np.uint32))
    word = ~np.bitwise_xor.reduceat(turns, groups)
    is_narrow = pulses < SHORTEST_PULSE * bit
    is_narrow[-1] &= not is_last  # it is cut off by the end of the record
    places /= scale
    is_off = np.abs(places - np.rint(places)) > min(max(line.interval / bit + MARGIN, EDGE_TOLERANCE), NEAREST)
    marks = (is_narrow * np.uint8(NARROW) | is_off * np.uint8(OFF_CLOCK)) * inside
    every = np.bitwise_or.reduceat(marks, groups) if marks.any() else np.zeros(groups.size, dtype=np.uint8)
    return pulses.take(groups), word, every


def _scale(line: Line, bit: float, make_up: Character, edges: Indexes) -> tuple[float, float]:
    """Measured over assumed bit time, and its uncertainty; from falling edges, as the start edge is one, if there are.

    The start edge is known no better than to a sample, and all edges of its character are compared with it.
    """
    if not edges.size:
        return 1.0, math.inf
    times = line.times[edges[0] : edges[0] + EDGES_FOR_RATE]
    chosen = edges[: int(np.searchsorted(edges, edges[0] + times.size))]
    counts = np.diff(chosen, append=edges[0] + times.size)
    places = (times - np.repeat(line.times[chosen], counts)) / bit
    within = (np.ceil(places - 0.5) < make_up.read_bits) & (places > 0.5)
    narrow = np.flatnonzero(np.diff(times) < SHORTEST_COUNTED * bit)
    within[narrow] = within[narrow + 1] = False
    falling = places[::2][within[::2]]
    found = _rate_of(falling, places[within], line.interval / bit, chosen.size)
    if found[1] * make_up.bits > WELL_KNOWN:  # hardly any falling edge, or none far from the start edge
        found = min(
            found, _rate_of(places[within], places[within], line.interval / bit, chosen.size), key=lambda each: each[1]
        )
    return found


def _rate_of(places: Floats, every: Floats, sample: float, characters: int) -> tuple[float, float]:
    """Measured over assumed bit time, and its uncertainty, from places of edges in bits.

    Parameters
    ----------
    every : of all edges, so that rates which fit only some of them are told apart.
    sample : bits; so far a start edge, which all edges of its character are compared with, may be off.
    """
    scale, spread = rate_scale(places, every)
    if not places.size:
        return scale, spread
    counts = places / scale
    left = np.abs(counts - np.rint(counts))
    if np.median(left) > MOST_SCATTER + sample / 2:
        return 1.0, math.inf  # these are not edges of one clock
    reach = float(np.sqrt(np.mean(counts * counts)))
    return scale, math.hypot(spread, sample / reach / math.sqrt(3 * min(characters, places.size)))


def _data(word: npt.NDArray[np.uint32], make_up: Character, bit_order: str) -> npt.NDArray[np.uint32]:
    data = (word >> np.uint32(1)) & np.uint32((1 << make_up.data_bits) - 1)
    if bit_order == "lsb":
        return data
    mirrored = np.zeros_like(data)
    for place in range(make_up.data_bits):
        mirrored |= ((data >> np.uint32(place)) & np.uint32(1)) << np.uint32(make_up.data_bits - 1 - place)
    return mirrored


def _as_frames(line: Line, make_up: Character, found: _Found, facts: dict[str, float]) -> Frames:
    one, bit = np.uint32(1), found.bit
    last_read = found.starts + (make_up.read_bits - 0.5) * bit
    cut = last_read >= line.end
    stops = make_up.read_bits - int(make_up.stop_bits)
    stop_mask = np.uint32(((1 << int(make_up.stop_bits)) - 1) << stops)
    is_break = found.lows > (make_up.bits + BREAK_MARGIN) * bit
    cut &= ~is_break
    framing = ((found.word & stop_mask) != stop_mask) & ~cut & ~is_break
    if make_up.stop_bits % 1:  # half a stop bit is never read: only that the next character begins too soon shows it
        framing[:-1] |= (np.diff(found.starts) < (make_up.bits - EARLY) * bit) & ~is_break[:-1]
    parity = np.zeros(found.starts.size, dtype=np.bool_)
    if make_up.parity != "none":
        sent = (found.word >> np.uint32(1 + make_up.data_bits)) & one
        parity = (sent != _wanted_parity(found.word, make_up)) & ~cut & ~is_break
    ends = np.where(is_break, found.starts + found.lows, np.minimum(found.starts + make_up.bits * bit, line.end))
    ends[:-1] = np.minimum(ends[:-1], found.starts[1:])  # an edge is known no better than to a sample
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
            "undersampled": np.full(count, bit < FEWEST_SAMPLES * line.interval),
            "baud": np.full(count, found.off_rate),
            "polarity": np.full(count, _idles_low(line, make_up.bits * bit)),
        },
        facts=facts
        | {"bit_rate": found.rate, "bit_rate_uncertainty": found.rate * found.spread if found.rate else 0.0},
    )


def _wanted_parity(word: npt.NDArray[np.uint32], make_up: Character) -> npt.NDArray[np.uint32]:
    if make_up.parity in ("mark", "space"):
        return np.full(word.size, make_up.parity == "mark", dtype=np.uint32)
    bits = (word >> np.uint32(1)) & np.uint32((1 << make_up.data_bits) - 1)
    ones = np.bitwise_count(bits).astype(np.uint32)
    wanted: npt.NDArray[np.uint32] = (ones + np.uint32(make_up.parity == "odd")) & np.uint32(1)
    return wanted


def _idles_low(line: Line, character: float) -> bool:
    """The line rests low for longer than a character at an end of the record, and never high: inverted."""
    ends_low = line.first == bool(line.times.size % 2)
    rests_first = not line.first and line.times[0] - line.start > character
    rests_last = ends_low and line.end - line.times[-1] > character
    if not (rests_first or rests_last):
        return False
    highs = np.diff(np.concatenate([[line.start], line.times, [line.end]]))[int(not line.first) :: 2]
    return bool(highs.max(initial=0.0) < character)
