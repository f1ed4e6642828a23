"""SMBus: command and data on I2C, with a packet error code.

SMBus 2.0, 5.4 (3.x: 6.4): the code is a CRC-8 (polynomial 0x07, start 0) over all bytes of the transaction,
addresses and R/W bits included.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Literal

from wavewright.buses.catalogue import layer, nothing_more
from wavewright.buses.frame import Frame
from wavewright.buses.frames import Frames
from wavewright.buses.line.checksums import CRCS, crc_of
from wavewright.buses.vocabulary import BYTES, FLAG, OCTET, Vocabulary, number


@layer(
    "smbus",
    on=("i2c",),
    source="SMBus 2.0, 5.4 and 5.5 (3.x: 6.4 and 6.5) †",
    says=Vocabulary(
        kinds=("transaction",),
        fields={
            "address": number(0, 0x3FF),
            "read": FLAG,
            "command": replace(OCTET, is_optional=True),
            "data": BYTES,
            "pec": replace(OCTET, is_optional=True),
        },
        errors=("pec",),
    ),
    refuse=nothing_more,
)
def smbus(frames: Frames, *, pec: bool = False, edition: Literal["2.0", "3"] = "2.0") -> Frames:
    """SMBus transactions: a command to a device, its data, and the packet error code.

    Fields: `address`, `read`, `command` (absent for a quick command or a plain receive), `data` (without the code),
    `pec` (int, as sent, where there is one). A transfer that begins with a repeated START belongs to the one before.

    Parameters
    ----------
    pec : whether transactions end with a packet error code.
    edition : of the specification whose published limits hold: 2.0 asks for 300 ns of data hold time, 3 for none.
    """
    return Frames.of(_transactions(frames, pec), facts=frames.facts)


def transactions(frames: Frames) -> Iterator[list[Frame]]:
    """Transfers that belong together: from a START to the STOP, with the repeated STARTs between."""
    group: list[Frame] = []
    for frame in frames:
        if group and not frame.fields["repeated"]:
            yield group
            group = []
        group.append(frame)
    if group:
        yield group


def _transactions(frames: Frames, pec: bool) -> Iterator[Frame]:
    raw = frames.columns.get("_raw")
    row = 0
    for group in transactions(frames):
        sent = [] if raw is None else [raw[each] for each in range(row, row + len(group))]
        row += len(group)
        yield _transaction(group, [each if isinstance(each, bytes) else b"" for each in sent], pec)


def _transaction(group: list[Frame], raw: list[bytes], pec: bool) -> Frame:
    """`raw`: all bytes of each transfer as they went over the line, address bytes first."""
    words = tuple(dict.fromkeys(word for frame in group for word in frame.errors))
    first, last = group[0], group[-1]
    fields: dict[str, Any] = {name: first.fields[name] for name in ("address",) if name in first.fields}
    if "read" in last.fields:
        fields["read"] = last.fields["read"]
    data = last.fields.get("data", b"")
    sent = first.fields.get("data", b"") if len(group) > 1 or not fields.get("read") else b""
    if pec and data:
        fields["pec"], data = data[-1], data[:-1]
        if crc_of(b"".join(raw)[:-1], CRCS["smbus"]) != fields["pec"]:
            words = (*words, "pec")
    if sent:
        fields["command"] = sent[0]
    fields["data"] = data[1:] if len(group) == 1 and sent else data
    return Frame(first.start, last.end, "transaction", fields, words)
