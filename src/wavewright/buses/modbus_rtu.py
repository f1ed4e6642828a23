"""Modbus RTU: messages on an asynchronous line, cut by silence and closed by a CRC.

Modbus over serial line V1.02 (2.5.1.1: silent intervals; 2.5.1: lengths) and application protocol V1.1b3 (functions,
exceptions).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias

import numpy as np

from wavewright.analysis.sense import POSITIVE
from wavewright.buses.catalogue import layer
from wavewright.buses.frames import Frames
from wavewright.buses.line.checksums import CRCS, crc_of_each
from wavewright.buses.line.columns import Flags, Indexes, Numbers, Pieces, Words
from wavewright.buses.vocabulary import BYTES, OCTET, WORD, Vocabulary, words
from wavewright.errors import Misuse

if TYPE_CHECKING:
    import numpy.typing as npt

Bytes: TypeAlias = "npt.NDArray[np.uint8]"

FUNCTIONS: Mapping[int, str] = MappingProxyType(
    {
        0x01: "read coils",
        0x02: "read discrete inputs",
        0x03: "read holding registers",
        0x04: "read input registers",
        0x05: "write single coil",
        0x06: "write single register",
        0x07: "read exception status",
        0x08: "diagnostics",
        0x0B: "get event counter",
        0x0C: "get event log",
        0x0F: "write multiple coils",
        0x10: "write multiple registers",
        0x11: "report server id",
        0x14: "read file record",
        0x15: "write file record",
        0x16: "mask write register",
        0x17: "read and write multiple registers",
        0x18: "read fifo queue",
        0x2B: "encapsulated interface",
    }
)
EXCEPTIONS: Mapping[int, str] = MappingProxyType(
    {
        0x01: "illegal function",
        0x02: "illegal data address",
        0x03: "illegal data value",
        0x04: "device failure",
        0x05: "acknowledge",
        0x06: "device busy",
        0x08: "memory parity error",
        0x0A: "gateway path unavailable",
        0x0B: "gateway target failed to respond",
    }
)
BETWEEN, INSIDE = 3.5, 1.5  # characters of silence (V1.02, 2.5.1.1)
FAST, FAST_BETWEEN, FAST_INSIDE = 19200.0, 1.750e-3, 750e-6  # above that rate, fixed times, s
TOLERANCE = 0.05  # characters: what edges between samples and a clock that is some per cent off may add or take
SHORTEST, LONGEST = 4, 256  # bytes
DATA_BITS = 8  # of a character (V1.02, 2.5.1)


def _refuse_bits(_: Collection[str], options: Mapping[str, Any]) -> None:
    if (bits := options.get("data_bits", DATA_BITS)) != DATA_BITS:
        raise Misuse(f"modbus_rtu over characters of {bits:g} data bits", expected=f"`data_bits: {DATA_BITS}`")


@layer(
    "modbus_rtu",
    on=("uart",),
    source="Modbus over serial line V1.02; application protocol V1.1b3 †",
    says=Vocabulary(
        kinds=("message",),
        fields={
            "address": OCTET,
            "function": OCTET,
            "function_name": words((*FUNCTIONS.values(), "unknown")),
            "data": BYTES,
            "crc": WORD,
            "exception": words((*EXCEPTIONS.values(), "unknown"), optional=True),
        },
        errors=("gap", "short", "long", "crc"),
    ),
    refuse=_refuse_bits,
)
def modbus_rtu(frames: Frames, *, silence: Annotated[float, "s", POSITIVE] | None = None) -> Frames:
    """Modbus RTU messages: cut where the line is silent for 3.5 characters, checked by CRC-16.

    Fields: `address`, `function` (as sent), `function_name`, `data` (bytes between function and CRC), `crc` (int, as
    sent), and `exception` (words) where the function's top bit is set. What is wrong with a
    character is wrong with its message; only where the CRC is right, it is certain where the characters began.

    Parameters
    ----------
    silence : s; the pause that separates messages, if not that of the standard.

    Raises
    ------
    Misuse : characters of other than 8 data bits, of which a message cannot be made.
    """
    _refuse_bits((), frames.facts)
    if not len(frames):
        return Frames([], [], "message", {}, facts=frames.facts)
    first, last, gap = _cut(frames, silence)
    values = _bytes(frames)
    sizes = last - first
    whole = sizes >= SHORTEST
    body = np.where(whole, last - 2, last)
    computed = crc_of_each(values, first, np.maximum(body, first), CRCS["modbus"])
    low, high = values[np.maximum(last - 2, 0)].astype(np.uint64), values[last - 1].astype(np.uint64)
    sent = low | high << np.uint64(8)
    code = values[np.minimum(first + 1, last - 1)]
    below = {word: np.logical_or.reduceat(where, first) for word, where in frames.errors_by_word.items()}
    if "unsynchronised" in below:  # characters read from a wrong start bit have the right CRC once in 65536 times
        below["unsynchronised"] &= ~(whole & (sent == computed))
    return Frames(
        frames.starts[first],
        frames.ends[last - 1],
        "message",
        {
            "address": Numbers(values[first]),
            "function": Numbers(code, sizes >= 2),
            "function_name": _names(code & 0x7F, FUNCTIONS, sizes >= 2),
            "data": Pieces(values, np.minimum(first + 2, last), body),
            "crc": Numbers(sent.astype(np.uint16), whole),
            "_raw": Pieces(values, first, last),
            "exception": _names(values[np.minimum(first + 2, last - 1)], EXCEPTIONS, (code >= 0x80) & whole),
        },
        errors=below | {"gap": gap, "short": ~whole, "long": sizes > LONGEST, "crc": whole & (sent != computed)},
        facts=frames.facts,
    )


def _cut(frames: Frames, silence: float | None) -> tuple[Indexes, Indexes, Flags]:
    """First character of each frame and the one after its last, and which messages have too long a pause inside."""
    character = frames.facts["character"]
    rate = frames.facts["nominal_bit_rate"] or frames.facts["bits"] / character
    fast = rate > FAST * 1.03  # one that was measured may be off by as much
    between = (FAST_BETWEEN if fast else BETWEEN * character) if silence is None else silence
    inside = min(FAST_INSIDE if fast else INSIDE * character, between)
    pauses = frames.starts[1:] - (frames.starts[:-1] + character)
    begins = np.flatnonzero(np.concatenate([[True], pauses >= between - TOLERANCE * character]))
    after = np.append(begins[1:], len(frames))
    slow = np.concatenate([[False], pauses > inside + TOLERANCE * character])
    slow[begins] = False
    return begins, after, np.logical_or.reduceat(slow, begins)


def _bytes(frames: Frames) -> Bytes:
    column = frames.columns["data"]
    assert isinstance(column, Numbers)  # as the bus `uart` makes it
    return column.values.astype(np.uint8)


def _names(codes: npt.NDArray[Any], names: Mapping[int, str], present: Flags) -> Words:
    place = np.full(256, len(names), dtype=np.int16)
    place[list(names)] = np.arange(len(names))
    return Words(np.where(present, place[codes], -1).astype(np.int16), (*names.values(), "unknown"))
