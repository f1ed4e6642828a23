"""1-Wire: a reset, a presence pulse, and bytes in slots whose low time says 0 or 1.

1-Wire is a trade mark; the trade has no other word for this single-wire bus, and there is no open standard. Times of
the standard speed †: write 1 low for 1 to 15 us, write 0 for 60 to 120 us, reset for at least 480 us, presence 15 to 60
us after it and 60 to 240 us long.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np

from wavewright.buses.catalogue import bus, nothing_more
from wavewright.buses.frame import Frame
from wavewright.buses.frames import Frames
from wavewright.buses.line.checksums import CRCS, crc_of
from wavewright.buses.line.columns import Flags
from wavewright.buses.line.logic import Line
from wavewright.buses.vocabulary import BYTES, FLAG, TEXT, Vocabulary, words
from wavewright.waveform import Floats

LONGEST_ONE, LONGEST_ZERO, SHORTEST_RESET = 15e-6, 120e-6, 480e-6  # s, of low
LEAST_RESET = 240e-6  # s; what is meant for a reset: twice as long as any slot, half as long as it must be
MARGIN = 0.9  # of the shortest reset: clocks are off by some per cent, and edges are not sharp
PRESENCE_AFTER, PRESENCE_LONG = 80e-6, (45e-6, 300e-6)  # s; the published 60 us and 60 … 240 us with a margin
REST = SHORTEST_RESET
COMMANDS: Mapping[int, str] = MappingProxyType(
    {0x33: "read rom", 0x55: "match rom", 0xCC: "skip rom", 0xF0: "search rom", 0xEC: "alarm search"}
)
WITH_IDENTIFIER = (0x33, 0x55)
IDENTIFIER_BYTES = 8


@bus(
    "onewire",
    channels=("line",),
    source="no open standard (1-Wire is a trade mark); times of the standard speed †",
    says=Vocabulary(
        kinds=("transaction",),
        fields={
            "presence": FLAG,
            "data": BYTES,
            "command": words((*COMMANDS.values(), "unknown")),
            "rom": replace(BYTES, is_optional=True),
            "partial": replace(TEXT, is_optional=True),
        },
        errors=("no answer", "unsynchronised", "slot", "incomplete", "cut", "crc"),
    ),
    refuse=nothing_more,
)
def onewire(line: Line) -> Frames:
    """Transactions on a 1-Wire bus, one frame from a reset to the next.

    Fields: `presence`, `data` (all bytes, least significant bit first on the line), `command` (of the first byte),
    `rom` (eight bytes after `read rom` and `match rom`, checked by their CRC), `partial` (bits of an unfinished byte).
    The last one has the error `cut` if the record ends so soon after it that more may come. What is low for 240 us is
    a reset, and has the error `slot` if it is more than a tenth shorter than 480 us.
    """
    rises = line.rising[int(not line.first) :]
    falls = line.falling[: rises.size]
    lows = rises[: falls.size] - falls
    resets = np.flatnonzero(lows >= LEAST_RESET)
    begins = resets if resets.size and resets[0] == 0 else np.concatenate([[-1], resets])
    frames = []
    for place, first in enumerate(begins.tolist()):
        last = int(begins[place + 1]) if place + 1 < begins.size else falls.size
        if first < 0 and last == 0:
            continue
        # more may come until the line has rested for as long as a reset lasts
        enough = REST if line.is_high(line.end) else LEAST_RESET  # low for so long, it is the next reset
        is_cut = last == falls.size and line.end - line.times[-1] < enough
        until = falls[last] if last < falls.size else line.end
        part = slice(max(first, 0), last)
        frames.append(_transaction(falls[part], lows[part], first >= 0, float(until), is_cut=bool(is_cut)))
    return Frames.of(frames, facts={"record_start": line.start, "record_end": line.end})


def _transaction(falls: Floats, lows: Floats, has_reset: bool, until: float, *, is_cut: bool) -> Frame:
    start = float(falls[0])
    words: list[str] = []
    fields: dict[str, Any] = {}
    rest = int(has_reset)
    if has_reset:
        released = falls[0] + lows[0]
        fields["presence"] = bool(
            lows.size > 1 and falls[1] - released <= PRESENCE_AFTER and PRESENCE_LONG[0] <= lows[1] <= PRESENCE_LONG[1]
        )
        rest += int(fields["presence"])
        if not fields["presence"] and not is_cut:
            words.append("no answer")
    else:
        words.append("unsynchronised")
    slots = lows[rest:]
    if (slots > LONGEST_ZERO).any() or (has_reset and lows[0] < MARGIN * SHORTEST_RESET):
        words.append("slot")
    bits: Flags = slots < LONGEST_ONE
    whole = bits.size // 8 * 8
    data = np.packbits(bits[:whole], bitorder="little").tobytes()
    fields["data"] = data
    if bits.size > whole:
        fields["partial"] = "".join("01"[bit] for bit in bits[whole:].tolist())
        words += ["incomplete"] * (not is_cut)
    words += ["cut"] * is_cut
    if has_reset and data:
        fields["command"] = COMMANDS.get(data[0], "unknown")
        if data[0] in WITH_IDENTIFIER and len(data) > IDENTIFIER_BYTES:
            fields["rom"] = data[1 : 1 + IDENTIFIER_BYTES]
            if crc_of(fields["rom"], CRCS["onewire8"]):
                words.append("crc")
    end = min(float(falls[-1] + lows[-1]), until)
    return Frame(start, end, "transaction", fields, tuple(words))
