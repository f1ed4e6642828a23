"""Reads an expression in parentheses off a wire: strings and blocks in it may hold anything, NL and parentheses too.

IEEE 488.2-1992, 7.7.7, and the Data Interchange Format of SCPI-99 volume 3 †.
"""

from __future__ import annotations

import numpy as np

from wavewright.errors import BadAnswer
from wavewright.instruments.blocks import read_block_header
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.scpi import shorten
from wavewright.instruments.wires import CHUNK, Wire

LARGEST = 1 << 31  # bytes


def read_expression(wire: Wire, deadline: Deadline) -> bytes:
    """The expression from `(` to its `)`, without the terminator.

    Raises
    ------
    BadAnswer : it does not begin with a parenthesis, is cut short, or something else than NL follows it.
    """
    with wire.termination_off():
        text = _to_end_mark(wire, deadline) if wire.has_end_marks else _to_parenthesis(wire, deadline)
    bare = text.strip(b" \r\n")
    if not bare.startswith(b"(") or not bare.endswith(b")"):
        raise BadAnswer(f"`{shorten(bare)}` is not an expression", expected="`( … )`")
    return bare


def _to_end_mark(wire: Wire, deadline: Deadline) -> bytes:
    text, ended = bytearray(), False
    while not ended:
        chunk = np.empty(CHUNK, dtype=np.uint8)
        count, ended = wire.read_into(chunk.data, deadline)
        text += chunk[:count].data
    return bytes(text)


def _to_parenthesis(wire: Wire, deadline: Deadline) -> bytes:
    """On a stream nothing may be read beyond the end, so byte by byte outside blocks, and blocks as a whole."""
    text, depth, quote = bytearray(), 0, b""
    while len(text) < LARGEST:
        byte = _take(wire, deadline, 1)
        text += byte
        if quote:
            quote = b"" if byte == quote else quote
        elif byte in (b'"', b"'"):
            quote = byte
        elif byte == b"#" and depth:
            text += _block(wire, deadline)
        elif byte in (b"(", b")"):
            depth += 1 if byte == b"(" else -1
        elif byte == b"\n" and depth <= 0:
            return bytes(text)
    raise BadAnswer(f"an expression of {len(text)} bytes without an end")


def _block(wire: Wire, deadline: Deadline) -> bytes:
    """What follows `#`: the rest of a definite block, or of a number in another base."""
    digit = _take(wire, deadline, 1)
    if not digit.isdigit() or digit == b"0":
        return digit
    length = _take(wire, deadline, int(digit))
    header = read_block_header(b"#" + digit + length)
    count = header.count if header else None
    assert count is not None  # all its digits are there
    return digit + length + _take(wire, deadline, count)


def _take(wire: Wire, deadline: Deadline, count: int) -> bytes:
    data = np.empty(count, dtype=np.uint8)
    have = 0
    while have < count:
        came, _ = wire.read_into(data[have:].data, deadline)
        have += came
    return data.tobytes()
