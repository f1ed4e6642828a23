"""Check words: cyclic redundancy checks by polynomial, for one message or for many at once, and sums.

Each has its width, polynomial, start value, reflection and final xor, and the name of the bus or the standard that uses
it; where none does, the name is made of its parameters. The check values of all are tested against two independent
libraries. The two of CAN FD start with their highest bit set, as ISO 11898-1 has it, not with 0.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from wavewright.buses.line.ragged import Octets

if TYPE_CHECKING:
    import numpy.typing as npt

CheckWords: TypeAlias = "npt.NDArray[np.uint64]"
Indexes: TypeAlias = "npt.NDArray[np.int64]"


@dataclass(frozen=True, slots=True)
class Crc:
    """One cyclic redundancy check. `reflected` stands for input and output alike."""

    width: int
    polynomial: int
    start: int
    reflected: bool
    final_xor: int


CRCS: Mapping[str, Crc] = MappingProxyType(
    {
        "usb5": Crc(5, 0x05, 0x1F, True, 0x1F),
        "mmc7": Crc(7, 0x09, 0x00, False, 0x00),
        "smbus": Crc(8, 0x07, 0x00, False, 0x00),
        "onewire8": Crc(8, 0x31, 0x00, True, 0x00),
        "j1850": Crc(8, 0x1D, 0xFF, False, 0xFF),
        "autosar8": Crc(8, 0x2F, 0xFF, False, 0xFF),
        "nrsc5": Crc(8, 0x31, 0xFF, False, 0x00),
        "flexray11": Crc(11, 0x385, 0x01A, False, 0x000),
        "can15": Crc(15, 0x4599, 0x0000, False, 0x0000),
        "crc16_8005_reflected": Crc(16, 0x8005, 0x0000, True, 0x0000),
        "modbus": Crc(16, 0x8005, 0xFFFF, True, 0x0000),
        "usb16": Crc(16, 0x8005, 0xFFFF, True, 0xFFFF),
        "onewire16": Crc(16, 0x8005, 0x0000, True, 0xFFFF),
        "crc16_1021_ffff": Crc(16, 0x1021, 0xFFFF, False, 0x0000),
        "crc16_1021": Crc(16, 0x1021, 0x0000, False, 0x0000),
        "crc16_1021_reflected": Crc(16, 0x1021, 0x0000, True, 0x0000),
        "x25": Crc(16, 0x1021, 0xFFFF, True, 0xFFFF),
        "canfd17": Crc(17, 0x1685B, 0x10000, False, 0x00000),
        "canfd21": Crc(21, 0x102899, 0x100000, False, 0x000000),
        "flexray24": Crc(24, 0x5D6DCB, 0xFEDCBA, False, 0x000000),
        "crc32": Crc(32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF),
        "crc32c": Crc(32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF),
    }
)


def crc_of(message: bytes, kind: Crc) -> int:
    """The check word of one message."""
    values = np.frombuffer(message, dtype=np.uint8)
    return int(crc_of_each(values, np.zeros(1, np.int64), np.full(1, values.size), kind)[0])


def crc_of_each(values: npt.NDArray[np.uint8], first: Indexes, last: Indexes, kind: Crc) -> CheckWords:
    """The check words of many messages: message k is `values[first[k]:last[k]]`."""
    return _run(last - first, lambda which, step: values[first[which] + step], kind, kind.start)


def crc_of_bits(bits: npt.NDArray[np.bool_], first: Indexes, last: Indexes, kind: Crc) -> CheckWords:
    """The check words of many bit strings: string k is `bits[first[k]:last[k]]`, most significant bit first.

    A check is linear: zeros in front, which fill the first octet, change nothing if the register starts empty; and the
    start value adds (xor) what it alone would leave.

    Parameters
    ----------
    kind : one that is not reflected.
    """
    sizes = last - first
    counts = -(-sizes // 8)
    octets = Octets(bits)
    head = (0xFF >> (8 * counts - sizes)).astype(np.uint8)  # of the first octet, those bits that belong to the string

    def octet(which: Indexes, step: int) -> npt.NDArray[np.uint8]:
        found = octets.at(last[which] - 8 * (counts[which] - step))
        return found & head[which] if step == 0 else found

    words: CheckWords = _run(counts, octet, kind, 0) ^ _started(kind, int(sizes.max(initial=0)))[sizes]
    return words


def crc_of_runs(turns: Indexes, first: Indexes, sizes: Indexes, kind: Crc) -> CheckWords:
    """The check words of many bit strings that begin with a 0, given by the places where a run of equal bits ends.

    A check is linear: each bit that is 1 adds (xor) what it alone would leave, and a run of them what the bits from its
    begin to the end of the string would leave without those from its end on.

    Parameters
    ----------
    turns : from the end of each run to the end of its string, in bits; what is not inside counts for nothing.
    first : where in `turns` each string begins; none is empty.
    sizes : bits of each string.
    kind : one that is not reflected.
    """
    longest = -(-int(sizes.max(initial=0)) // 256) * 256  # few different tables
    left = np.bitwise_xor.reduceat(_ones(kind, longest)[np.clip(turns, 0, longest)], first) if first.size else ()
    words: CheckWords = np.asarray(left, dtype=np.uint64) ^ _started(kind, longest)[sizes]
    return words


def crc_continued(words: CheckWords, bits: npt.NDArray[np.bool_], kind: Crc) -> CheckWords:
    """The check words of bit strings when a few more bits follow each of them, shape (n, bits)."""
    top, mask, polynomial = np.uint64(kind.width - 1), np.uint64((1 << kind.width) - 1), np.uint64(kind.polynomial)
    for bit in bits.T:
        turns_over = words >> top ^ bit.astype(np.uint64)
        words = (words << np.uint64(1) & mask) ^ polynomial * turns_over
    return words


def _run(sizes: Indexes, octet: Callable[[Indexes, int], npt.NDArray[np.uint8]], kind: Crc, start: int) -> CheckWords:
    """The check words of messages of this many octets.

    All messages take a step together, the longest decides how many steps there are.

    Parameters
    ----------
    octet : of some messages, by index, the one at a step.
    start : value of the register before the first.
    """
    table = _table(kind)
    shift = np.uint64(max(kind.width, 8) - 8)  # narrow registers are kept at the top of a byte
    pad = max(0, 8 - kind.width)
    mask = np.uint64((1 << (kind.width + pad)) - 1)
    register = np.full(sizes.size, _mirrored(start, kind.width) if kind.reflected else start << pad, dtype=np.uint64)
    order = np.argsort(-sizes, kind="stable")
    ordered = sizes[order]
    for step in range(int(sizes.max(initial=0))):
        active = order[: int(np.searchsorted(-ordered, -step, side="left"))]
        byte = octet(active, step).astype(np.uint64)
        now = register[active]
        if kind.reflected:
            register[active] = table[(now ^ byte) & np.uint64(0xFF)] ^ (now >> np.uint64(8))
        else:
            register[active] = table[((now >> shift) ^ byte) & np.uint64(0xFF)] ^ ((now << np.uint64(8)) & mask)
    if not kind.reflected:
        register >>= np.uint64(pad)
    words: CheckWords = register ^ np.uint64(kind.final_xor)
    return words


def carry_sum(message: bytes) -> int:
    """Inverted sum of bytes with the carry added back, as LIN uses it (LIN 2.1, 2.3.1.5)."""
    total = 0
    for byte in message:
        total += byte
        total = (total & 0xFF) + (total >> 8)
    return ~total & 0xFF


@cache
def _table(kind: Crc) -> npt.NDArray[Any]:
    """What each byte leaves in an empty register."""
    width = max(kind.width, 8)
    polynomial = kind.polynomial << (width - kind.width)
    rows = []
    for byte in range(256):
        if kind.reflected:
            register, reversed_polynomial = byte, _mirrored(kind.polynomial, kind.width)
            for _ in range(8):
                register = (register >> 1) ^ (reversed_polynomial if register & 1 else 0)
        else:
            register = byte << (width - 8)
            for _ in range(8):
                register = ((register << 1) ^ (polynomial if register >> (width - 1) & 1 else 0)) & ((1 << width) - 1)
        rows.append(register)
    return np.array(rows, dtype=np.uint64)


@cache
def _started(kind: Crc, longest: int) -> CheckWords:
    """What the start value has become after this many bits."""
    top, mask = 1 << (kind.width - 1), (1 << kind.width) - 1
    register, rows = kind.start, []
    for _ in range(longest + 1):
        rows.append(register)
        register = ((register << 1) & mask) ^ (kind.polynomial if register & top else 0)
    return np.array(rows, dtype=np.uint64)


@cache
def _ones(kind: Crc, longest: int) -> CheckWords:
    """What this many bits, all of them 1, leave in an empty register."""
    top, mask = 1 << (kind.width - 1), (1 << kind.width) - 1
    register, rows = 0, []
    for _ in range(longest + 1):
        rows.append(register)
        register = ((register << 1) & mask) ^ (0 if register & top else kind.polynomial)
    return np.array(rows, dtype=np.uint64)


def _mirrored(word: int, width: int) -> int:
    return int(f"{word:0{width}b}"[::-1], 2)
