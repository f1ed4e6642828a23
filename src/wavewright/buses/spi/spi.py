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
    places, groups = _grouped(clock, int(clock.first == rising), select, select_active, gap)
    edges = clock.times[places.start :: 2] if isinstance(places, range) else clock.times.take(places)
    facts = {"record_start": clock.start, "record_end": clock.end}
    if not edges.size:
        return Frames([], [], "word", {}, facts=facts)
    words = _words(groups, word_bits)
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
            levels = line.is_high_along(edges, is_still=line.is_still_at(clock, rising=rising))
            columns |= _columns(name, levels, words, floating, bit_order)
    slips = _longest_pauses(edges, words) > SLIPPING_PAUSE * period if select is None else np.zeros_like(undefined)
    # the edges that begin a clock pulse: after those that end one there may be a long pause
    pulses = _places_before(places) if mode % 2 == 1 else places
    starts, ends = _bounds(clock.times, places, words, late=mode % 2 == 1)
    lost = irregular(clock, pulses, words.first, words.last, narrow=NARROW if select else NARROW_ALONE)
    lost |= any_of_each(too_soon(edges, period), words.first, words.last)
    if select is not None and gap is None:
        lost |= _after_split(select, period, words.group)
    bounds = {"cut": words.is_short & (words.last == edges.size) & _runs_out(select, groups)}
    return Frames(
        starts,
        ends,
        "word",
        columns,
        errors={
            "incomplete": words.is_short & ~bounds["cut"],
            **bounds,
            "undefined": undefined,
            "unsynchronised": _began_inside(clock, select, select_active, groups, words, rested=RESTED * period),
            "gap": slips,
            "glitch": _with_rest(lost, words.group) | any_of_each(spikes, words.first, words.last),
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
class _Groups:
    """Runs of edges in which one word comes after the other; a new word begins with each run.

    Parameters
    ----------
    begins, sizes : first edge and number of edges of each.
    numbers : of each, ascending; without a gap, how many changes of the select line came before it.
    """

    begins: Indexes
    sizes: Indexes
    numbers: Indexes

    @classmethod
    def of_sizes(cls, sizes: Indexes, numbers: Indexes) -> _Groups:
        """Those that have any edges."""
        filled = sizes > 0
        sizes = sizes[filled]
        return cls(np.cumsum(sizes) - sizes, sizes, numbers[filled])

    def split(self, places: Indexes) -> _Groups:
        """The same, and a new group at each of some edges, which are ascending."""
        count = int(self.sizes.sum())
        begins = np.union1d(self.begins, places)
        numbers = self.numbers[np.searchsorted(self.begins, begins, side="right") - 1]
        numbers = numbers + np.searchsorted(places, begins, side="right") * (int(self.numbers[-1]) + 1)
        return _Groups(begins, np.diff(begins, append=count), numbers)


@dataclass(frozen=True, slots=True, eq=False)
class _Words:
    """Which edges make up each word, the number of its group, and which words have too few."""

    first: Indexes
    last: Indexes
    group: Indexes
    is_short: Flags
    bits: int


def _grouped(
    clock: Line, begin: int, select: Line | None, active: str, gap: float | None
) -> tuple[range | Indexes, _Groups]:
    """Every other edge from `begin` on while the device is selected, by index; and which of them belong together."""
    places: range | Indexes = range(begin, clock.count, 2)
    if select is None:
        groups = _Groups.of_sizes(np.array([len(places)]), np.zeros(1, dtype=np.int64))
    else:
        before = np.maximum((np.searchsorted(clock.times, select.times) - begin + 1) // 2, 0)  # edges before a change
        counts = np.diff(before, prepend=0, append=len(places))
        numbers = np.arange(counts.size)
        selected = ((numbers & 1 != 0) ^ select.first) == (active == "high")
        if counts[~selected].any():
            places = np.arange(begin, clock.count, 2).compress(np.repeat(selected, counts))
        groups = _Groups.of_sizes(np.where(selected, counts, 0), numbers)
    if gap is not None and len(places):
        pauses = np.diff(clock.times[begin::2] if isinstance(places, range) else clock.times[places])
        groups = groups.split(np.flatnonzero(pauses > gap) + 1)
    return places, groups


def _places_before(places: range | Indexes) -> range | Indexes:
    """The edge before each; the first edge of the line stays."""
    if isinstance(places, range) and places.start:
        return range(places.start - 1, places.stop - 1, places.step)
    before: Indexes = np.maximum(np.asarray(places) - 1, 0)
    return before


def _words(groups: _Groups, word_bits: int) -> _Words:
    counts = -(-groups.sizes // word_bits)
    ordinal = piece_indices(np.zeros_like(counts), counts)
    first = np.repeat(groups.begins, counts) + word_bits * ordinal
    last = np.minimum(first + word_bits, np.repeat(groups.begins + groups.sizes, counts))
    return _Words(first, last, np.repeat(groups.numbers, counts), last - first < word_bits, word_bits)


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
    octets = next(octets for octets in (1, 2, 4) if 8 * octets >= bits.shape[1])
    full = bits
    if bits.shape[1] < 8 * octets:
        full = np.zeros((bits.shape[0], 8 * octets), dtype=np.bool_)
        full[:, 8 * octets - bits.shape[1] :] = bits
    return np.packbits(full.ravel()).view(f">u{octets}").astype(np.uint32)


def _longest_pauses(edges: Floats, words: _Words) -> Floats:
    """The longest time, s, between two edges inside each word."""
    longest: Floats = reduce_each(np.maximum, np.diff(edges), words.first, words.last - 1, empty=0.0)
    return longest


def _bounds(times: Floats, places: range | Indexes, words: _Words, *, late: bool) -> tuple[Floats, Floats]:
    """First and last clock edge of each word: with late data (CPHA 1) the other edge comes first, else it is last."""
    if isinstance(places, range):
        first, last = (places.start + 2 * index for index in (words.first, words.last - 1))
    else:
        first, last = places[words.first], places[words.last - 1]
    if late:
        return times[np.maximum(first - 1, 0)], times[last]
    return times[first], times[np.minimum(last + 1, times.size - 1)]


def _began_inside(
    clock: Line, select: Line | None, active: str, groups: _Groups, words: _Words, *, rested: float
) -> Flags:
    """Words before the first cut, if the record began inside them: unless their clocks make whole words up to there.

    Where no select line says that it began inside, a clock that does not rest for `rested` (s) at its beginning does.
    """
    is_cut = bool(groups.numbers[-1])
    if select is not None and select.count:
        begins_inside, is_cut = select.first == (active == "high"), True
    else:
        begins_inside = bool(clock.times[0] - clock.start < rested)
    first = words.group == 0
    whole = is_cut and int(groups.sizes[groups.numbers == 0].sum()) % words.bits == 0
    return np.asarray(first & begins_inside & (not whole))


def _runs_out(select: Line | None, groups: _Groups) -> bool:
    """The record ends while the last word is still selected, so that its missing bits may come later."""
    return select is None or bool(groups.numbers[-1] >= select.count)
