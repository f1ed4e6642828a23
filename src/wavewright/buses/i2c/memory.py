"""Reads and writes of registers: an I2C memory, sensor or converter whose first bytes choose a register.

The pointer that such devices keep, and its stepping on with each byte, is common practice without a standard.
"""

from __future__ import annotations

from typing import Annotated, Any

from wavewright.analysis.sense import Sense
from wavewright.buses.catalogue import layer, nothing_more
from wavewright.buses.frame import Frame
from wavewright.buses.frames import Frames
from wavewright.buses.i2c.smbus import transactions
from wavewright.buses.vocabulary import BYTES, Vocabulary, number


@layer(
    "i2c_memory",
    on=("i2c",),
    source="common practice, no source",
    says=Vocabulary(
        kinds=("read", "write", "select"),
        fields={"address": number(0, 0x3FF), "register": number(0, 2**32 - 1, optional=True), "data": BYTES},
    ),
    refuse=nothing_more,
)
def i2c_memory(frames: Frames, *, register_bytes: Annotated[int, Sense(least=1, most=4)] = 1) -> Frames:
    """Reads and writes of a device's registers over I2C; kind `write`, `read` or `select` (pointer set, no data).

    Fields: `address`, `register` (of the first byte; absent where none was sent), `data`. Bytes that the device did not
    acknowledge do not move its pointer.

    Parameters
    ----------
    register_bytes : how many bytes choose the register, most significant first: 1 … 4.
    """
    pointers: dict[int, int] = {}
    found: list[Frame] = []
    for group in transactions(frames):
        pending: Frame | None = None
        for transfer in group:
            access = _access(transfer, register_bytes, pointers)
            if pending is not None and access.kind == "read":
                words = tuple(dict.fromkeys((*pending.errors, *access.errors)))
                access = Frame(pending.start, access.end, "read", access.fields, words)
            elif pending is not None:
                found.append(pending)
            pending = access if access.kind == "select" else None
            if pending is None:
                found.append(access)
        if pending is not None:
            found.append(pending)
    return Frames.of(found, facts=frames.facts)


def _access(transfer: Frame, register_bytes: int, pointers: dict[int, int]) -> Frame:
    """One transfer as an access; `pointers` keeps where each device's pointer is, and is moved on."""
    address, data = transfer.fields.get("address"), transfer.fields.get("data", b"")
    if address is None:
        return Frame(transfer.start, transfer.end, "select", {}, transfer.errors)
    fields: dict[str, Any] = {"address": address}
    answers = transfer.fields.get("acknowledged", ())
    if transfer.fields["read"]:
        kind = "read"
        taken = len(data) if answers[:1] == (True,) else 0
        if address in pointers:
            fields["register"] = pointers[address]
    else:
        kind = "write" if len(data) > register_bytes else "select"
        answered = answers[len(answers) - len(data) :]  # of the bytes after the address
        is_there = all(answers[: len(answers) - len(data)])
        if len(data) >= register_bytes:
            fields["register"] = int.from_bytes(data[:register_bytes], "big")
            if is_there and all(answered[:register_bytes]):
                pointers[address] = fields["register"]
            elif is_there:
                pointers.pop(address, None)  # a part of it was taken: nobody knows where it points
        elif address in pointers:
            fields["register"] = pointers[address]
        taken = answered[register_bytes:].count(True) if is_there else 0
        data = data[register_bytes:]
    if address in pointers:
        pointers[address] += taken
    fields["data"] = data
    return Frame(transfer.start, transfer.end, kind, fields, transfer.errors)
