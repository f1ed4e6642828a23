"""Reads a block off a wire into one buffer: header, exactly the promised bytes, end of the message.

The block and one chunk of the library are all the memory that it takes; samples are a view on the buffer.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from wavewright.errors import BadAnswer, NoAnswer
from wavewright.instruments.blocks import LONGEST_HEADER, BlockHeader, read_block_header
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.scpi import shorten
from wavewright.instruments.visa_faults import is_time_out
from wavewright.instruments.wires import CHUNK, Wire

if TYPE_CHECKING:
    import numpy.typing as npt

Bytes: TypeAlias = "npt.NDArray[np.uint8]"
Seen: TypeAlias = "Callable[[Bytes], object]"
_TERMINATORS = (b"\n", b"\r\n")


def _unseen(part: Bytes) -> None:
    """Nobody looks at the data while they come."""


def read_block(
    wire: Wire, deadline: Deadline, *, silence: float | None = None, newline: bool = True, seen: Seen = _unseen
) -> tuple[bytes, Bytes]:
    """The header as it came, and the data, shape (bytes,).

    Parameters
    ----------
    silence : s; only for indefinite blocks on a wire without end marks: they end with NL and this long nothing.
    newline : NL follows the data, as it must (IEEE 488.2-1992, 8.5). False for a device that sends the end mark alone;
        a block that lacks its last byte is then not noticed.
    seen : is given the data part by part, in order, while the next part is on its way.

    Raises
    ------
    BadAnswer : no header, fewer or more bytes than it says, or no end after them.
    NoAnswer : nothing came at all.
    """
    with wire.termination_off():
        if wire.has_end_marks:
            return _read_marked(wire, deadline, newline=newline, seen=seen)
        head, count = _read_header(wire, deadline)
        if count is not None:
            data = _allocate(count)
            _fill(wire, deadline, data, begun=True, seen=seen)
            _read_terminator(wire, deadline)
            return head, data
    data = _read_to_silence(wire, deadline, silence)
    seen(data)
    return head, data


def read_bare_bytes(wire: Wire, deadline: Deadline, *, count: int, seen: Seen = _unseen) -> Bytes:
    """`count` bytes without a header, and the end of the message after them; `seen` as in `read_block`.

    Raises
    ------
    BadAnswer : fewer or more of them.
    NoAnswer : nothing came at all.
    """
    with wire.termination_off():
        if wire.has_end_marks:
            return _fill_to_end(wire, deadline, _allocate(count + 2), 0, count, ended=False, seen=seen)
        data = _allocate(count)
        _fill(wire, deadline, data, begun=False, seen=seen)
        _read_terminator(wire, deadline)
        return data


def _read_header(wire: Wire, deadline: Deadline) -> tuple[bytes, int | None]:
    """A header off a stream, and the number of bytes that it promises."""
    start = bytearray()
    header: BlockHeader | None = None
    while header is None:
        start += _exactly(wire, deadline, _bytes_to_header(start), already=len(start))
        header = read_block_header(bytes(start))
    return bytes(start), header.count


def _bytes_to_header(start: bytearray) -> int:
    """How many bytes the header still lacks, as far as one can tell: never more, for a stream gives no byte back."""
    if len(start) < 2:
        return 2 - len(start)
    return 1 if start[1:2] == b"(" else 2 + int(start[1:2]) - len(start)


def _exactly(wire: Wire, deadline: Deadline, count: int, *, already: int) -> bytes:
    data = _allocate(count)
    try:
        _fill(wire, deadline, data, begun=bool(already))
    except BadAnswer:
        raise BadAnswer(
            f"the answer is cut short in the block's header, after fewer than {already + count} bytes"
        ) from None
    return data.tobytes()


def _read_terminator(wire: Wire, deadline: Deadline) -> None:
    """NL, or CR NL, right after a block on a stream."""
    seen = b""
    while seen not in (b"\n", b"\r\n"):
        byte = _allocate(1)
        try:
            wire.read_into(byte.data, deadline.for_the_next_bytes())
        except Exception as fault:
            if _is_silence(fault):
                raise BadAnswer("no NL came after the block: it is longer than its header says, or cut") from fault
            raise
        seen += byte.tobytes()
        if seen not in (b"\r", b"\n", b"\r\n"):
            raise BadAnswer(f"`{shorten(seen)}` follows the block", expected="NL: its length must be wrong")


def _read_to_silence(wire: Wire, deadline: Deadline, silence: float | None) -> Bytes:
    if silence is None:
        raise BadAnswer(
            "an indefinite block on a wire that does not mark the end of a message",
            expected="a definite block",
            do="give the profile's `waveform.silence` a time, if the instrument cannot do otherwise",
        )
    data = bytearray()
    while True:
        data += wire.read_line(deadline)
        if wire.is_silent(silence):
            return np.frombuffer(memoryview(data)[: len(data.rstrip(b"\r\n"))], dtype=np.uint8)


def _read_marked(wire: Wire, deadline: Deadline, *, newline: bool, seen: Seen) -> tuple[bytes, Bytes]:
    first = _allocate(CHUNK)
    have, ended = 0, False
    header: BlockHeader | None = None
    while header is None:
        if ended or have > LONGEST_HEADER:
            raise BadAnswer(f"the answer is cut short in the block's header: `{shorten(first[:have].tobytes())}`")
        count, ended = wire.read_into(first[have:].data, deadline)
        have += count
        header = read_block_header(first[: min(have, LONGEST_HEADER)].tobytes())
    head, rest = first[: header.length].tobytes(), first[header.length : have].copy()
    del first  # the block and what came with its header are all that there is
    if header.count is None:
        data = _read_to_end(wire, deadline, bytearray(rest), ended=ended)
        seen(data)
        return head, data
    buffer = _allocate(header.count + 2)
    if rest.size > buffer.size:
        raise _wrong_length(header.count, "more")
    buffer[: rest.size] = rest
    have = int(rest.size)
    del rest
    seen(buffer[: min(have, header.count)])
    return head, _fill_to_end(wire, deadline, buffer, have, header.count, ended=ended, newline=newline, seen=seen)


def _fill_to_end(
    wire: Wire,
    deadline: Deadline,
    buffer: Bytes,
    have: int,
    count: int,
    *,
    ended: bool,
    newline: bool = True,
    seen: Seen = _unseen,
) -> Bytes:
    """Read on until the end mark; `buffer` has room for a terminator after the `count` bytes."""
    while not ended:
        if have >= buffer.size:
            raise _wrong_length(count, "more")
        try:
            came, ended = wire.read_into(buffer[have:].data, deadline.for_the_next_bytes() if have else deadline)
        except Exception as fault:
            if have and _is_silence(fault):
                raise BadAnswer(f"the block is cut short: {have} of {count} bytes came") from fault
            raise
        seen(buffer[have : min(have + came, count)])
        have += came
    if have < count:
        raise BadAnswer(f"the block is cut short: {have} of {count} bytes came")
    after = buffer[count:have].tobytes()
    if not after and newline:
        raise BadAnswer(f"no NL after the block: one of the {count} bytes is missing")
    if after and after not in _TERMINATORS:
        raise _wrong_length(count, "more")
    return buffer[:count]


def _read_to_end(wire: Wire, deadline: Deadline, data: bytearray, *, ended: bool) -> Bytes:
    chunk = _allocate(CHUNK)
    while not ended:
        came, ended = wire.read_into(chunk.data, deadline)
        data += chunk[:came].data
    if not data.endswith(b"\n"):
        raise BadAnswer(f"an indefinite block of {len(data)} bytes is cut short", expected="NL before its end")
    return np.frombuffer(memoryview(data)[:-1], dtype=np.uint8)


def _fill(wire: Wire, deadline: Deadline, data: Bytes, *, begun: bool, seen: Seen = _unseen) -> None:
    have = 0
    while have < data.size:
        try:
            came, _ = wire.read_into(data[have:].data, deadline.for_the_next_bytes() if begun else deadline)
        except Exception as fault:
            if begun and _is_silence(fault):
                raise BadAnswer(f"the block is cut short: {have} of {data.size} bytes came") from fault
            raise
        seen(data[have : have + came])
        have += came
        begun = True


def _is_silence(fault: Exception) -> bool:
    """Whether nothing more came, in our words or in the library's."""
    return isinstance(fault, NoAnswer) or is_time_out(fault)


def _allocate(count: int) -> Bytes:
    try:
        return np.empty(count, dtype=np.uint8)
    except (MemoryError, ValueError) as fault:
        raise BadAnswer(f"the block header says {count} bytes, more than this machine can hold") from fault


def _wrong_length(count: int, how: str) -> BadAnswer:
    return BadAnswer(f"the block has {how} bytes than the {count} that its header says")
