"""LIN: a break, a synchronisation byte, a protected identifier, and the answer with its checksum.

LIN 2.1, 2.3 (from memory, but for the checksum's definition and four protected identifiers seen in print).
"""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np

from wavewright.analysis.sense import POSITIVE
from wavewright.buses.catalogue import bus
from wavewright.buses.checksums import carry_sum
from wavewright.buses.columns import Objects
from wavewright.buses.frame import Frame
from wavewright.buses.frames import Frames
from wavewright.buses.logic import Line
from wavewright.buses.uart import uart
from wavewright.buses.vocabulary import BYTES, OCTET, Vocabulary, number, words

SYNC = 0x55
DIAGNOSTIC = (0x3C, 0x3D)  # always with the classic checksum
MOST_DATA = 8  # bytes
OWN_WORDS = ("framing", "parity", "cut", "unsynchronised", "glitch", "timing", "baud")


def protected_identifier(identifier: int) -> int:
    """Identifier with its two parity bits: P0 = ID0⊕ID1⊕ID2⊕ID4 in bit 6, P1 = ¬(ID1⊕ID3⊕ID4⊕ID5) in bit 7."""
    bit = [identifier >> place & 1 for place in range(6)]
    first = bit[0] ^ bit[1] ^ bit[2] ^ bit[4]
    second = 1 ^ bit[1] ^ bit[3] ^ bit[4] ^ bit[5]
    return (identifier & 0x3F) | first << 6 | second << 7


@bus(
    "lin",
    channels=("line",),
    source="LIN 2.1, 2.3.1 (from memory; checksum and four identifiers seen in print)",
    says=Vocabulary(
        kinds=("frame", "header"),
        fields={
            "identifier": number(0, 0x3F),
            "data": BYTES,
            "checksum": OCTET,
            "model": words(("classic", "enhanced")),
        },
        errors=(*OWN_WORDS, "sync", "identifier parity", "no answer", "short", "long", "checksum"),
    ),
)
def lin(
    line: Line,
    *,
    baud: Annotated[float, "Bd", POSITIVE] | Literal["auto"] = "auto",
    checksum: Literal["auto", "classic", "enhanced"] = "auto",
) -> Frames:
    """Frames on a LIN bus, one from a break to the last character before the next.

    Fields: `identifier` (six bits), `data`, `checksum` (int, as sent), `model` (`classic` or `enhanced`, whichever
    fits). A header that nobody answers has the error `no answer`.

    Parameters
    ----------
    baud : bit/s, nominal; `auto` takes the shortest pulse that occurs often for a bit.
    checksum : `classic` over the data, `enhanced` over protected identifier and data, `auto` either. The diagnostic
        identifiers 0x3C and 0x3D are always classic.
    """
    characters = uart(line, baud=baud)
    begins = np.flatnonzero(characters.of_kind("break"))
    ends = np.append(begins[1:], len(characters))[: begins.size]
    data = characters.columns.get("data", Objects([]))
    frames = []
    for first, last in zip(begins.tolist(), ends.tolist(), strict=True):
        part = characters[first + 1 : last]
        values = [data[row] for row in range(first + 1, last)]
        words = [word for word in OWN_WORDS if any(word in frame.errors for frame in part)]
        end = part[-1].end if len(part) else characters[first].end
        known = [value for value in values if isinstance(value, int)]
        frames.append(_frame(float(characters.starts[first]), end, known, words, checksum))
    return Frames.of(frames, facts=characters.facts)


def _frame(start: float, end: float, values: list[int], words: list[str], checksum: str) -> Frame:
    if len(values) < 2 or values[0] != SYNC:
        missing = "cut" if "cut" in words else "sync"
        return Frame(start, end, "header", {}, tuple(dict.fromkeys([*words, missing])))
    protected, answer = values[1], bytes(values[2:])
    identifier = protected & 0x3F
    if protected_identifier(identifier) != protected:
        words.append("identifier parity")
    if len(answer) < 2:
        words.append("no answer" if not answer else "short")
        return Frame(start, end, "header", {"identifier": identifier}, tuple(words))
    data, sent = answer[:-1], answer[-1]
    if len(data) > MOST_DATA:
        words.append("long")
    sums = {"classic": carry_sum(data), "enhanced": carry_sum(bytes([protected]) + data)}
    allowed = "classic" if identifier in DIAGNOSTIC else checksum
    fitting = [name for name in ("enhanced", "classic") if allowed in ("auto", name) and sums[name] == sent]
    fields = {"identifier": identifier, "data": data, "checksum": sent}
    if fitting:
        fields["model"] = fitting[0]
    else:
        words.append("checksum")
    return Frame(start, end, "frame", fields, tuple(words))
