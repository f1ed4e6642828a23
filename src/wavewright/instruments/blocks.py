"""Headers of blocks: how many bytes follow, and where they begin.

IEEE 488.2-1992, 7.7.6 and 8.7.9 (definite), 8.7.10 (indefinite) †. A length
in brackets, `#(1234567890)`, is outside IEEE 488.2; it is read, as the VISA library reads it, and never sent.
"""

from __future__ import annotations

from dataclasses import dataclass

from wavewright.errors import BadAnswer, Misuse
from wavewright.instruments.scpi import shorten

LONGEST_HEADER = 2 + 20  # `#(`, more digits than any memory has bytes, `)`
_LARGEST = 1 << 40  # a longer block is a garbled header, not a record


@dataclass(frozen=True, slots=True)
class BlockHeader:
    """What a header says: its own length in bytes, and that of the data; None: up to the end of the message."""

    length: int
    count: int | None


def read_block_header(start: bytes) -> BlockHeader | None:
    """The header at the start of an answer.

    Parameters
    ----------
    start : the first bytes of the answer; more than the header does no harm.

    Returns
    -------
    None where more bytes are needed.

    Raises
    ------
    BadAnswer : these bytes cannot begin a block.

    Examples
    --------
    >>> read_block_header(b"#14....")
    BlockHeader(length=3, count=4)
    >>> read_block_header(b"#(1234567890)..")
    BlockHeader(length=13, count=1234567890)
    """
    if not start:
        return None
    if start[:1] != b"#":
        raise _garbled(start, "the block begins with something else than `#`")
    if len(start) == 1:
        return None
    kind = start[1:2]
    if kind == b"0":
        return BlockHeader(2, None)
    if kind == b"(":
        return _bracketed(start)
    if not kind.isdigit():
        raise _garbled(start, "the block's header is damaged")
    end = 2 + int(kind)
    digits = start[2:end]
    if digits and not digits.isdigit():
        raise _garbled(start, "the block's length is not a number")
    return BlockHeader(end, int(digits)) if len(digits) == int(kind) else None


def _bracketed(start: bytes) -> BlockHeader | None:
    end = start.find(b")", 2, LONGEST_HEADER)
    digits = start[2:end] if end > 0 else start[2:LONGEST_HEADER]
    if (digits and not digits.isdigit()) or (end < 0 and len(start) >= LONGEST_HEADER) or end == 2:
        raise _garbled(start, "the block's length is not a number")
    if end < 0:
        return None
    if int(digits) > _LARGEST:
        raise _garbled(start, f"the block claims {int(digits)} bytes")
    return BlockHeader(end + 1, int(digits))


def _garbled(start: bytes, what: str) -> BadAnswer:
    return BadAnswer(
        f"{what}: `{shorten(start[:32])}`", expected="`#`, the number of digits, the number of bytes, and the bytes"
    )


def definite_block(data: bytes) -> bytes:
    """Data with a header in front of them, as they are sent to an instrument.

    Raises
    ------
    Misuse : more bytes than a header of one digit of digits can state (IEEE 488.2-1992, 7.7.6).

    Examples
    --------
    >>> definite_block(b"abc")
    b'#13abc'
    """
    count = str(len(data)).encode()
    if len(count) > 9:
        raise Misuse(
            f"a block of {len(data)} bytes", expected="at most 999 999 999 bytes", do="send it in several blocks"
        )
    return b"#%d" % len(count) + count + data
