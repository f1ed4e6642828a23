"""I2C: transfers between START and the next START or STOP, on a clock and a data line.

UM10204 Rev. 6: a change of SDA while SCL is high is a START (falling) or a STOP
(rising), 3.1.4; eight bits, most significant first, and an acknowledge bit at nine rising edges of SCL, 3.1.5, 3.1.6.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cache
from types import MappingProxyType
from typing import Annotated, Literal

import numpy as np

from wavewright.analysis.sense import POSITIVE
from wavewright.buses.catalogue import bus, nothing_more
from wavewright.buses.frames import Frames
from wavewright.buses.line.clocking import WINDOW, irregular, spiked, without_spikes
from wavewright.buses.line.columns import BitTexts, Column, Flags, Indexes, Numbers, Pieces, Words
from wavewright.buses.line.logic import Line
from wavewright.buses.line.ragged import Octets, any_of_each, batches, piece_indices, reduce_each
from wavewright.buses.vocabulary import BYTES, FLAG, LIST, TEXT, Field, Holds, Vocabulary, number, words
from wavewright.waveform import Floats

SPIKE = 50e-9  # s, tSP of Fast-mode and Fast-mode Plus (UM10204 Rev. 6, table 9); Standard-mode asks for no filter
LOOKED_AT = 20_000  # pulses: enough for a median
CLOSE = 0.3  # clock periods
FEWEST_CLOCKS = 2  # without a START: a single one may be a spike
RESTED, HELD = 3.0, 10.0  # clock periods: of a bus that is free, and of one that is stuck
NO_PERIOD = 1e-4  # s, where no clock says how long one lasts
FEWEST_SAMPLES = 2.5  # a pulse of SCL
MEANINGS: Mapping[str, int] = MappingProxyType(
    {
        "general call": 0,
        "start byte": 1,
        "cbus": 2,
        "other bus format": 3,
        "future use": 4,
        "high-speed master code": 5,
        "ten-bit address": 6,
        "device id": 7,
    }
)


@dataclass(frozen=True, slots=True, eq=False)
class Conditions:
    """STARTs and STOPs in order of time: when (s), and which are STARTs; shape (n,) each.

    Parameters
    ----------
    changes : how many changes of SCL there were before each; none is at the same time.
    """

    times: Floats
    is_start: Flags
    changes: Indexes


@bus(
    "i2c",
    channels=("scl", "sda"),
    source="UM10204 Rev. 6, 3.1 and table 3",
    says=Vocabulary(
        kinds=("transfer",),
        fields={
            "address": number(0, 0x3FF),
            "read": FLAG,
            "data": BYTES,
            "acknowledged": LIST,
            "repeated": FLAG,
            "stopped": FLAG,
            "clock_low": Field(Holds.TIME, least=0.0),
            "meaning": words(MEANINGS, optional=True),
            "partial": replace(TEXT, is_optional=True),
        },
        errors=(
            "undersampled",
            "not acknowledged",
            "incomplete",
            "cut",
            "reserved",
            "glitch",
            "clock held",
            "data held",
            "sync",
        ),
    ),
    refuse=nothing_more,
)
def i2c(
    scl: Line,
    sda: Line,
    *,
    mode: Literal["standard", "fast", "fast_plus"] = "standard",
    longest_low: Annotated[float, "s", POSITIVE] | None = None,
    supply: Annotated[float, "V", POSITIVE] | None = None,
) -> Frames:
    """Transfers on an I2C bus, one frame from a START to the next START or STOP.

    Fields: `address` (7 or 10 bits), `read`, `data` (bytes after the address), `acknowledged` (a bool for each byte,
    address first), `repeated` (began with a repeated START), `stopped` (ended with a STOP), `clock_low` (s, the longest
    time that SCL was low, so that stretching shows), `meaning` of a reserved address, `partial` (bits of an unfinished
    byte). A byte that is read and not acknowledged is the usual end and no error. Clocks without a START, after a STOP
    or idle time, are a transfer with the error `sync`, and so is what follows a START within a byte; a line that is low
    to the end of the record is held.

    Parameters
    ----------
    mode : `fast` and `fast_plus` suppress spikes shorter than 50 ns.
    longest_low : s; SCL low for longer is the error `clock held`. None: any stretching is allowed.
    supply : V, what the lines are pulled up to: published limits depend on it. None: as `levels` says.
    """
    if mode != "standard":
        scl, sda = without_spikes(scl, SPIKE), without_spikes(sda, SPIKE)
    facts = {"record_start": scl.start, "record_end": scl.end}
    found = find_conditions(scl, sda)
    pauses = np.diff(scl.rising[:LOOKED_AT])
    period = float(np.median(pauses)) if pauses.size else None
    begins = np.flatnonzero(found.is_start)
    orphans = _orphans(scl, sda, found, np.inf if period is None else period)
    if not begins.size and not orphans.starts.size:
        return Frames([], [], "transfer", {}, facts=facts)
    starts = found.times[begins]
    is_last = begins == found.times.size - 1
    ends = np.where(is_last, scl.end, np.append(found.times, scl.end)[begins + 1])
    stopped = ~is_last & ~np.append(found.is_start, False)[begins + 1]
    repeated = (begins > 0) & found.is_start[np.maximum(begins - 1, 0)]
    none = np.zeros(starts.size, dtype=np.bool_)
    spikes = _spikes(found, 0.0 if period is None else period)
    is_spiked = spikes[begins] | np.append(spikes, False)[begins + 1]
    changes = np.append(found.changes, np.searchsorted(scl.times, scl.end))
    first, last = (_rises(scl, changes[index]) for index in (begins, begins + 1))
    spans = _Spans(starts, ends, first, last, stopped, repeated, is_last, none, is_spiked)
    spans = spans.merged(orphans) if orphans.starts.size else spans
    return _transfers(scl, sda, spans, longest_low=longest_low, measured=period, facts=facts)


def find_conditions(scl: Line, sda: Line) -> Conditions:
    """All STARTs and STOPs.

    SDA that changes within one sample of a change of SCL is data whose hold time is 0, not a condition; where there
    are few samples a clock, within a quarter of SCL's high time.
    """
    highs = _high_times(scl)
    margin = min(scl.interval, 0.25 * float(np.median(highs))) if highs.size else scl.interval
    times, to_high, place = sda.changes_while_high(scl)
    is_apart = np.ones(times.size, dtype=np.bool_)
    if scl.times.size:
        is_apart &= (place == 0) | (times - scl.times.take(place - 1, mode="clip") > margin)
        is_apart &= (place == scl.times.size) | (scl.times.take(place, mode="clip") - times > margin)
    return Conditions(times[is_apart], ~to_high[is_apart], place[is_apart])


def _rises(scl: Line, changes: Indexes) -> Indexes:
    """How many rises of SCL there are among its first changes, for some numbers of these."""
    return np.asarray(changes + int(not scl.first) >> 1)


@dataclass(frozen=True, slots=True, eq=False)
class _Spans:
    """Where each transfer lies, s, and what bounds it."""

    starts: Floats
    ends: Floats
    first: Indexes  # rises of SCL before it begins, and before it ends
    last: Indexes
    stopped: Flags
    repeated: Flags
    is_cut: Flags
    is_orphan: Flags  # clocks without a START
    is_spiked: Flags  # begins or ends with what a spike of SDA looks like

    def merged(self, others: _Spans) -> _Spans:
        """Both together, in order of time."""
        order = np.argsort(np.concatenate([self.starts, others.starts]), kind="stable")
        pairs = ((getattr(self, field.name), getattr(others, field.name)) for field in fields(self))
        return _Spans(*(np.concatenate(pair)[order] for pair in pairs))


def _spikes(found: Conditions, period: float) -> Flags:
    """Which STARTs and STOPs come so close to each other that they are a spike of SDA: the bus must be free for longer
    between a STOP and a START, and clocked between a START and a STOP (UM10204, table 10).
    """
    close = np.diff(found.times) < CLOSE * period
    return np.asarray(np.append(close, False) | np.append(False, close))


def _orphans(scl: Line, sda: Line, found: Conditions, period: float) -> _Spans:
    """Clocks while the bus should be free, after a STOP or a rest at the beginning: their START was lost."""
    rises, size = scl.rising, found.times.size
    rested = bool(scl.times.size) and scl.times[0] - scl.start > RESTED * period
    after = np.flatnonzero(~found.is_start)
    bounds = np.concatenate([np.array([scl.start]), found.times, np.array([scl.end])])
    free = np.append(np.full(int(scl.first and sda.first and rested), -1), after) + 1  # index of where it begins
    begun, ended = np.searchsorted(scl.times, [scl.start], side="right"), np.searchsorted(scl.times, [scl.end])
    changes = np.concatenate([begun, found.changes, ended])
    first, last = (_rises(scl, changes[index]) for index in (free, free + 1))
    many = last - first >= FEWEST_CLOCKS
    free, first = free[many], first[many]
    none = np.zeros(free.size, dtype=np.bool_)
    begins = np.nextafter(rises[first], -np.inf) if first.size else np.empty(0)
    is_cut = free == size
    stopped = ~is_cut & ~np.append(found.is_start, True)[free]
    ends = bounds[free + 1]
    counted = scl.rises_before(begins, included=True), scl.rises_before(ends, included=False)
    return _Spans(begins, ends, *counted, stopped, none, is_cut, ~none, none)


def _held(scl: Line, sda: Line, period: float) -> tuple[bool, bool]:
    """Whether the clock, or the data line beside a resting clock, is low to the end of the record, and for long."""
    lasting = scl.end - (scl.times[-1] if scl.times.size else scl.start)
    low, is_long = not scl.ends_high, lasting > HELD * period
    data_low = is_long and not low and not sda.ends_high
    if data_low:
        data_low = sda.end - (sda.times[-1] if sda.count else sda.start) > HELD * period
    return bool(low and is_long), bool(data_low)


def _high_times(scl: Line) -> Floats:
    """Of the first clocks, s."""
    falling = scl.falling[int(scl.first) :][:LOOKED_AT]
    return falling - scl.rising[: falling.size]


def _transfers(
    scl: Line,
    sda: Line,
    spans: _Spans,
    *,
    longest_low: float | None,
    measured: float | None,
    facts: dict[str, float],
) -> Frames:
    rises, first, last = scl.rising, spans.first, spans.last
    bits = np.maximum(np.where(spans.is_cut, last - first, last - first - 1), 0)  # the last high holds the condition
    sizes = bits // 9
    levels = sda.is_high_along(rises, is_still=sda.is_still_at(scl, rising=True))
    places = np.repeat(first, sizes) + 9 * piece_indices(np.zeros_like(sizes), sizes)  # of the first bit of each byte
    values = Octets(levels).at(places)
    acknowledged = ~levels.take(places + 8)
    begin = np.cumsum(sizes) - sizes
    head = _Heads(values, acknowledged, begin, sizes, spans.repeated)
    low = _longest_lows(scl, first, last)
    some = sizes > 0
    columns: dict[str, Column] = {
        "address": Numbers(head.address, head.has_address),
        "read": Numbers(head.read, some),
        "data": Pieces(values, np.minimum(begin + head.length, begin + sizes), begin + sizes, some),
        "acknowledged": Pieces(acknowledged, begin, begin + sizes, some),
        "repeated": Numbers(spans.repeated),
        "stopped": Numbers(spans.stopped),
        "clock_low": Numbers(low),
        "meaning": Words(head.meaning, tuple(MEANINGS)),
        "partial": BitTexts(levels, first + 9 * sizes, first + bits, bits % 9 > 0),
        "_raw": Pieces(values, begin, begin + sizes, some),
    }
    period = NO_PERIOD if measured is None else measured
    held = _held(scl, sda, period)
    at_end = spans.is_cut & (np.arange(first.size) == first.size - 1)
    incomplete = ((bits % 9 > 0) | ~some | (head.is_ten_bit & ~head.has_address)) & ~spans.is_cut
    # what goes on at once, and is not a transfer, was parted from the one before by a spike
    gap = spans.starts[1:] - spans.ends[:-1]
    parted = (incomplete[1:] & (gap < 0.9 * period)) | (spans.is_orphan[1:] & (gap < 1.3 * period))
    glitch = (
        irregular(scl, range(int(scl.first), scl.times.size, 2), first, first + bits)
        | any_of_each(spiked(sda, rises, narrow=CLOSE * period), first, last)
        | spans.is_spiked
        | np.append(parted, False)
    )
    # a spike within a byte looks like a START there: what seems to begin with it is not a transfer to be believed
    after_part = np.append(False, incomplete[:-1]) & spans.repeated
    errors = {
        "undersampled": np.full(first.size, _is_undersampled(scl)),
        "not acknowledged": head.refused,
        "incomplete": incomplete,
        "cut": spans.is_cut,
        "reserved": head.misused,
        "glitch": glitch,
        "clock held": (low > (np.inf if longest_low is None else longest_low)) | (at_end & held[0]),
        "data held": at_end & held[1],
        "sync": spans.is_orphan | after_part,
    }
    facts["bit_rate"] = 0.0 if measured is None else 1 / measured
    return Frames(spans.starts, spans.ends, "transfer", columns, errors=errors, facts=facts)


class _Heads:
    """What the first byte or two of each transfer say."""

    def __init__(
        self,
        values: np.ndarray[tuple[int], np.dtype[np.uint8]],
        acknowledged: Flags,
        begin: Indexes,
        sizes: Indexes,
        repeated: Flags,
    ) -> None:
        padded, acks = np.append(values, np.zeros(2, np.uint8)), np.append(acknowledged, True)
        some = sizes > 0
        lead, second = padded[begin], padded[begin + 1].astype(np.int64)
        self.read = (lead & 1 != 0) & some
        self.is_ten_bit = (lead & 0xF8 == 0xF0) & some
        written = self.is_ten_bit & ~self.read & (sizes > 1)
        known = np.concatenate([[False], written[:-1] & (lead[1:] >> 1 == lead[:-1] >> 1)]) & repeated
        low_byte = np.where(written, second, np.concatenate([[0], second[:-1]]))
        ten_bit = (lead.astype(np.int64) >> 1 & 3) << 8 | low_byte
        self.address = np.where(self.is_ten_bit, ten_bit, lead.astype(np.int64) >> 1)
        self.has_address = some & (~self.is_ten_bit | written | (self.read & known))
        self.length = 1 + written.astype(np.int64)
        self.meaning = np.where(some, _meanings()[lead], -1).astype(np.int8)
        silent = np.isin(self.meaning, (MEANINGS["start byte"], MEANINGS["high-speed master code"]))
        self.misused = some & silent & acks[begin]
        answered = np.where(self.read, np.minimum(begin + 1, begin + sizes), begin + sizes)
        missed = np.concatenate([[0], np.cumsum(~acknowledged)])
        self.refused = (missed[answered] > missed[begin]) & ~silent


@cache
def _meanings() -> np.ndarray[tuple[int], np.dtype[np.int8]]:
    """Meaning of each possible first byte (UM10204 Rev. 6, table 3); −1 for an ordinary address."""
    table = np.full(256, -1, dtype=np.int8)
    table[0x00], table[0x01] = MEANINGS["general call"], MEANINGS["start byte"]
    table[0x02:0x04], table[0x04:0x06] = MEANINGS["cbus"], MEANINGS["other bus format"]
    table[0x06:0x08], table[0x08:0x10] = MEANINGS["future use"], MEANINGS["high-speed master code"]
    table[0xF0:0xF8], table[0xF8:] = MEANINGS["ten-bit address"], MEANINGS["device id"]
    return table


def _is_undersampled(scl: Line) -> bool:
    """SCL's pulses are so short that data after its edge may look like a START or STOP."""
    widths = np.diff(scl.times[:LOOKED_AT])
    return bool(widths.size and np.median(widths) < FEWEST_SAMPLES * scl.interval)


def _longest_lows(scl: Line, first: Indexes, last: Indexes) -> Floats:
    """For each transfer the longest time, s, that SCL was low before one of its rising edges."""
    longest = np.zeros(first.size)
    rises, falls, ahead = scl.rising, scl.falling, int(not scl.first)  # rises before the first fall
    for runs in batches(first, last, WINDOW):
        base, stop = int(first[runs.start]), int(last[runs.stop - 1])
        before = falls[max(base - ahead, 0) : max(stop - ahead, 0)]
        if base < min(ahead, stop):
            before = np.append(scl.start, before)
        lows = rises[base:stop] - before
        longest[runs] = reduce_each(np.maximum, lows, first[runs] - base, last[runs] - base, empty=0.0)
    return longest
