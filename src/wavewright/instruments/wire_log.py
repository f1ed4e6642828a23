"""The record of the dialogue: every message, its direction, its time and its bytes.

One line per message, five fields between tabs:

    2026-01-15T09:30:00.123456Z   0.001234   digitizer   >   SENSe1:VOLTage:RANGe:PTPeak 8.0E+00\\n

UTC, seconds since the log was begun (of a clock that cannot jump), instrument, sign, bytes. Bytes other than printable
7-bit characters are written `\\xNN`, NL and CR `\\n` and `\\r`, the backslash doubled. Signs: `>` sent, `<` received,
`#` a block received or sent, `=` an event of the link. Of a block the header, the number of bytes and their SHA-256 are
kept, and the bytes themselves, packed, if the log was begun with `full`.
"""

from __future__ import annotations

import base64
import hashlib
import re
import time
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, TextIO

from wavewright.errors import FileFault, Place

if TYPE_CHECKING:
    from wavewright.instruments.block_reader import Bytes

FIRST_LINE = "# wavewright wire log 1"
_ESCAPE = re.compile(r"\\(x[0-9a-f]{2}|n|r|\\)")
_NAMED = {ord("\n"): "\\n", ord("\r"): "\\r", ord("\\"): "\\\\"}
_PLAIN = {byte: _NAMED.get(byte, chr(byte) if 32 <= byte < 127 else f"\\x{byte:02x}") for byte in range(256)}


@dataclass(frozen=True, slots=True)
class WireRecord:
    """One line of a wire log. `data` is None for a block whose bytes were not kept."""

    utc: str
    offset: float
    instrument: str
    sign: str
    data: bytes | None
    count: int = 0
    digest: str = ""


class BlockDigest:
    """The SHA-256 of a block, taken while it comes; the time for it passes while the next bytes are on their way.

    Parameters
    ----------
    is_wanted : False where nobody keeps it.
    """

    def __init__(self, *, is_wanted: bool) -> None:
        self._digest = hashlib.sha256() if is_wanted else None

    def see(self, part: Bytes) -> None:
        """The next bytes, shape (bytes,)."""
        if self._digest is not None:
            self._digest.update(part.data)

    @property
    def words(self) -> str:
        """Of all that it has seen, in hexadecimal; empty where it is not wanted."""
        return "" if self._digest is None else self._digest.hexdigest()


class WireLog:
    """Writes the dialogue of all links of a bench into one text stream.

    Parameters
    ----------
    stream : opened for text; the caller closes it.
    full : keep the bytes of blocks too, so that the run can be repeated from the log.
    """

    def __init__(
        self,
        stream: TextIO,
        *,
        full: bool = False,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        elapsed: Callable[[], float] = time.perf_counter,  # `monotonic` counts in steps of 16 ms on Windows
    ) -> None:
        self._stream, self._full, self._now, self._elapsed = stream, full, now, elapsed
        self._begin = elapsed()
        stream.write(FIRST_LINE + "\n")

    @property
    def is_full(self) -> bool:
        """Whether the bytes of blocks are kept too."""
        return self._full

    def sent(self, instrument: str, data: bytes) -> None:
        """A message that left, terminator included."""
        self._stream.write(self._line(instrument, ">", escape(data)))

    def received(self, instrument: str, data: bytes) -> None:
        """An answer, as far as it came."""
        self._stream.write(self._line(instrument, "<", escape(data)))

    def block(
        self, instrument: str, data: bytes | bytearray | memoryview, *, direction: str = "<", digest: str = ""
    ) -> None:
        """The content of a block, after its header has been logged as `received` or `sent`.

        Parameters
        ----------
        digest : the SHA-256 of the content, where it was taken while it came.
        """
        self._stream.write(self._line(instrument, "#", self._told(data, direction, digest)))

    def received_block(self, instrument: str, head: bytes, data: memoryview, *, digest: str = "") -> None:
        """`received` and `block`, written at once."""
        self._stream.write(
            self._line(instrument, "<", escape(head)) + self._line(instrument, "#", self._told(data, "<", digest))
        )

    def event(self, instrument: str, words: str) -> None:
        """Something about the link itself: opened, cleared, lost, closed."""
        self._stream.write(self._line(instrument, "=", escape(words.encode("utf-8", "replace"))))

    def _told(self, data: bytes | bytearray | memoryview, direction: str, digest: str) -> str:
        """What the line of a block says."""
        digest = digest or hashlib.sha256(data).hexdigest()
        kept = " " + base64.b64encode(zlib.compress(data, 1)).decode() if self._full else ""
        return f"{direction} {len(data)} {digest}{kept}"

    def _line(self, instrument: str, sign: str, payload: str) -> str:
        utc = self._now().isoformat(timespec="microseconds")[:26]  # without `+00:00`; a third of `strftime`'s time
        return f"{utc}Z\t{self._elapsed() - self._begin:.6f}\t{instrument}\t{sign}\t{payload}\n"


def escape(data: bytes | bytearray | memoryview) -> str:
    """Bytes as one line of 7-bit characters.

    Examples
    --------
    >>> print(escape(b"*IDN?" + bytes([10, 0, 255])))
    *IDN?\\n\\x00\\xff
    """
    return "".join(map(_PLAIN.__getitem__, data))


def unescape(text: str) -> bytes:
    """The bytes that `escape` made this line of."""

    def byte(match: re.Match[str]) -> str:
        word = match[1]
        return {"n": "\n", "r": "\r", "\\": "\\"}.get(word) or chr(int(word[1:], 16))

    return _ESCAPE.sub(byte, text).encode("latin-1")


def read_wire_log(lines: Iterable[str], *, name: str = "wire log") -> Iterator[WireRecord]:
    """The records of a wire log, in order.

    Raises
    ------
    FileFault : the first line is another, or a line does not have the five fields.
    """
    for number, line in enumerate(lines, start=1):
        text = line.rstrip("\n")
        if number == 1:
            if text != FIRST_LINE:
                raise FileFault("this is not a wire log", where=Place(name, 1), expected=f"`{FIRST_LINE}`")
            continue
        fields = text.split("\t", 4)
        try:
            utc, offset, instrument, sign, payload = fields
            if sign == "#":
                yield _block_record(utc, float(offset), instrument, payload)
            else:
                yield WireRecord(utc, float(offset), instrument, sign, unescape(payload))
        except (ValueError, zlib.error) as fault:
            raise FileFault(
                f"line {number} is not a record of a dialogue: {fault}",
                where=Place(name, number),
                expected="UTC, seconds, instrument, sign and bytes between tabs",
            ) from fault


def _block_record(utc: str, offset: float, instrument: str, payload: str) -> WireRecord:
    direction, count, digest, *kept = payload.split(" ")
    data = zlib.decompress(base64.b64decode(kept[0])) if kept else None
    return WireRecord(utc, offset, instrument, "#" + direction, data, int(count), digest)
