"""SPI: words on a clock, one or two data lines and, if there is one, a select line.

No standard describes it; the four modes by clock polarity and phase are common practice. Data are read at the rising
edge where polarity and phase are equal (modes 0 and 3), at the falling one otherwise.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np

from wavewright.analysis.sense import POSITIVE, Sense
from wavewright.buses.catalogue import bus
from wavewright.buses.frames import Frames
from wavewright.buses.line.clocking import NARROW, NARROW_DATA, irregular, spiked, too_soon
from wavewright.buses.line.columns import BitTexts, Column, Flags, Indexes, Numbers
from wavewright.buses.line.logic import Line
from wavewright.buses.line.ragged import any_of_each, piece_indices, reduce_each
from wavewright.buses.vocabulary import TEXT, Vocabulary, number
from wavewright.errors import Misuse
from wavewright.waveform import Floats

if TYPE_CHECKING:
    import numpy.typing as npt

LOOKED_AT = 20_000  # clocks: enough for a median
NARROW_ALONE = 0.5  # as `NARROW`, where no select line says which clocks are meant
RESTED = 0.75  # clock periods: a running clock has an edge sooner after the record began
SLIPPING_PAUSE = 3.0  # clock periods: without a select line, a longer pause inside a word hints at lost clocks


def _refuse_no_data(lines: Collection[str], _: Mapping[str, Any]) -> None:
    if not {"mosi", "miso"} & set(lines):
        raise Misuse("spi: neither `mosi` nor `miso` is given", expected="at least one of them")


@bus(
    "spi",
    channels=("clock", "mosi?", "miso?", "select?"),
    source="clock polarity and phase: common practice, no source",
    says=Vocabulary(
        kinds=("word",),
        fields={
            **dict.fromkeys(("mosi", "miso"), number(0, 2**32 - 1)),
            **dict.fromkeys(("mosi_bits", "miso_bits"), replace(TEXT, is_optional=True)),
        },
        errors=("incomplete", "cut", "undefined", "unsynchronised", "gap", "glitch"),
    ),
    refuse=_refuse_no_data,
)
def spi(
    clock: Line,
    mosi: Line | None = None,
    miso: Line | None = None,
    select: Line | None = None,
    *,
    mode: Annotated[int, Sense(among=(0, 1, 2, 3))] = 0,
    word_bits: Annotated[int, Sense(least=4, most=32)] = 8,
    bit_order: Literal["msb", "lsb"] = "msb",
    select_active: Literal["low", "high"] = "low",
    gap: Annotated[float, "s", POSITIVE] | None = None,
) -> Frames:
    """Words on an SPI bus, one frame each; both directions are read at the same edges.

    Fields: `mosi`, `miso` (int; those that are connected, absent where undefined or incomplete), and for a word that
    select cut off `mosi_bits`, `miso_bits` (text, in the order of time).

    Parameters
    ----------
    mode : 0 … 3: polarity and phase of the clock, CPOL · 2 + CPHA.
    word_bits : 4 … 32.
    select_active : level of `select` while the device listens.
    gap : s; a pause of the clock that ends a word. None: only select does.
    """
    _refuse_no_data([name for name, line in (("mosi", mosi), ("miso", miso)) if line is not None], {})
    rising = mode in (0, 3)
    places, group = _grouped(clock, int(clock.first == rising), select, select_active, gap)
    edges = clock.times.take(places)
    facts = {"record_start": clock.start, "record_end": clock.end}
    if not edges.size:
        return Frames([], [], "word", {}, facts=facts)
    words = _words(edges, group, word_bits)
    pauses = np.diff(edges[: LOOKED_AT + 1])
    period = float(np.median(pauses)) if pauses.size else 0.0
    columns: dict[str, Column] = {}
    spikes = np.zeros(edges.size, dtype=np.bool_)
    undefined = np.zeros(words.first.size, dtype=np.bool_)
    for name, line in (("mosi", mosi), ("miso", miso)):
        if line is not None:
            floating = any_of_each(line.is_undefined(edges), words.first, words.last)
            undefined |= floating
            spikes |= spiked(line, edges, narrow=NARROW_DATA * period)
            columns |= _columns(name, line.is_high_along(edges), words, floating, bit_order)
    slips = _longest_pauses(edges, words) > SLIPPING_PAUSE * period if select is None else np.zeros_like(undefined)
    # the edges that begin a clock pulse: after those that end one there may be a long pause
    pulses = np.maximum(places - 1, 0) if mode % 2 == 1 else places
    starts, ends = _bounds(clock.times, places, words, late=mode % 2 == 1)
    lost = irregular(clock, pulses, words.first, words.last, narrow=NARROW if select else NARROW_ALONE)
    lost |= any_of_each(too_soon(edges, period), words.first, words.last)
    if select is not None and gap is None:
        lost |= _after_split(select, period, group[words.first])
    bounds = {"cut": words.is_short & (words.last == edges.size) & _runs_out(select, select_active, group)}
    return Frames(
        starts,
        ends,
        "word",
        columns,
        errors={
            "incomplete": words.is_short & ~bounds["cut"],
            **bounds,
            "undefined": undefined,
            "unsynchronised": _began_inside(clock, select, select_active, group, words, rested=RESTED * period),
            "gap": slips,
            "glitch": _with_rest(lost, group[words.first]) | any_of_each(spikes, words.first, words.last),
        },
        facts=facts | {"bit_rate": 1 / period if period else 0.0},
    )


def _with_rest(lost: Flags, group: Indexes) -> Flags:
    """Words in which a clock may be one too many or too few, and all after them up to where a new word must begin."""
    found = lost.copy()
    for place in np.flatnonzero(lost).tolist():
        found[place : int(np.searchsorted(group, group[place], side="right"))] = True
    return found


def _after_split(select: Line, period: float, group: Indexes) -> Flags:
    """Words that begin with or after a pulse of the select line shorter than half a clock period."""
    splits = np.flatnonzero(np.diff(select.times) < 0.5 * period)
    return np.isin(group, np.concatenate([splits + 1, splits + 2]))


@dataclass(frozen=True, slots=True, eq=False)
class _Words:
    """Which edges make up each word, and which words have too few."""

    first: Indexes
    last: Indexes
    is_short: Flags
    bits: int


def _grouped(clock: Line, begin: int, select: Line | None, active: str, gap: float | None) -> tuple[Indexes, Indexes]:
    """Every other edge from `begin` on while the device is selected, by index; and a number for each edge that grows
    where a new word must begin.
    """
    places = np.arange(begin, clock.times.size, 2)
    if select is None:
        group = np.zeros(places.size, dtype=np.int64)
    else:
        before = np.maximum((np.searchsorted(clock.times, select.times) - begin + 1) // 2, 0)  # edges before a change
        counts = np.diff(before, prepend=0, append=places.size)
        numbers = np.arange(counts.size)
        selected = ((numbers & 1 != 0) ^ select.first) == (active == "high")
        group = np.repeat(numbers, counts)
        if counts[~selected].any():
            chosen = np.repeat(selected, counts)
            places, group = places.compress(chosen), group.compress(chosen)
    if gap is not None and places.size:
        pauses = np.diff(clock.times[places])
        group = group + np.concatenate([[0], np.cumsum(pauses > gap)]) * (int(group[-1]) + 1)
    return places, group


def _words(edges: Floats, group: Indexes, word_bits: int) -> _Words:
    begins = np.flatnonzero(np.concatenate([[True], group[1:] != group[:-1]]))
    sizes = np.diff(begins, append=edges.size)
    counts = -(-sizes // word_bits)
    ordinal = piece_indices(np.zeros_like(counts), counts)
    first = np.repeat(begins, counts) + word_bits * ordinal
    last = np.minimum(first + word_bits, np.repeat(begins + sizes, counts))
    return _Words(first, last, last - first < word_bits, word_bits)


def _columns(name: str, levels: Flags, words: _Words, floating: Flags, bit_order: str) -> dict[str, Column]:
    whole = ~words.is_short
    values = np.zeros(words.first.size, dtype=np.uint32)
    if whole.any():
        rows = np.lib.stride_tricks.sliding_window_view(levels, words.bits)[words.first[whole]]
        values[whole] = words_of_bits(rows if bit_order == "msb" else rows[:, ::-1])
    return {
        name: Numbers(values, whole & ~floating),
        f"{name}_bits": BitTexts(levels, words.first, words.last, words.is_short),
    }


def words_of_bits(bits: Flags) -> npt.NDArray[np.uint32]:
    """Numbers from rows of bits, most significant first; shape (n, b), b ≤ 32, to shape (n,)."""
    full = np.zeros((bits.shape[0], 32), dtype=np.bool_)
    full[:, 32 - bits.shape[1] :] = bits
    return np.packbits(full.ravel()).view(">u4").astype(np.uint32)


def _longest_pauses(edges: Floats, words: _Words) -> Floats:
    """The longest time, s, between two edges inside each word."""
    longest: Floats = reduce_each(np.maximum, np.diff(edges), words.first, words.last - 1, empty=0.0)
    return longest


def _bounds(times: Floats, places: Indexes, words: _Words, *, late: bool) -> tuple[Floats, Floats]:
    """First and last clock edge of each word: with late data (CPHA 1) the other edge comes first, else it is last."""
    first, last = places[words.first], places[words.last - 1]
    if late:
        return times[np.maximum(first - 1, 0)], times[last]
    return times[first], times[np.minimum(last + 1, times.size - 1)]


def _began_inside(
    clock: Line, select: Line | None, active: str, group: Indexes, words: _Words, *, rested: float
) -> Flags:
    """Words before the first cut, if the record began inside them: unless their clocks make whole words up to there.

    Where no select line says that it began inside, a clock that does not rest for `rested` (s) at its beginning does.
    """
    is_cut = bool(group[-1])
    if select is not None and select.times.size:
        begins_inside, is_cut = select.first == (active == "high"), True
    else:
        begins_inside = bool(clock.times[0] - clock.start < rested)
    first = group[words.first] == 0
    whole = is_cut and np.count_nonzero(group == 0) % words.bits == 0
    return np.asarray(first & begins_inside & (not whole))


def _runs_out(select: Line | None, active: str, group: Indexes) -> bool:
    """The record ends while the last word is still selected, so that its missing bits may come later."""
    return select is None or bool(group[-1] >= select.times.size)
