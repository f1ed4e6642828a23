"""RIFF containers as WAV files use them: chunks of a name, a length and bytes, in either byte order.

RIFF and WAVE as in the multimedia programming interface of 1991, RF64 as in EBU Tech 3306 † (read
against the files of SciPy's own tests).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from wavewright.errors import FileFault

UNKNOWN_LENGTH = 0xFFFFFFFF  # a writer that could not go back, or RF64, where the `ds64` chunk has the length


@dataclass(frozen=True, slots=True)
class Chunk:
    """A named chunk of the file: `start` is its first byte after the header, `length` what the header says."""

    name: bytes
    start: int
    length: int


@dataclass(frozen=True, slots=True)
class RiffFile:
    """The chunks of a file; `order` is `<` for RIFF and RF64, `>` for RIFX."""

    file: str
    order: str
    size: int
    chunks: tuple[Chunk, ...]

    def find(self, name: bytes) -> Chunk | None:
        """The first chunk of that name."""
        return next((chunk for chunk in self.chunks if chunk.name == name), None)

    def content(self, chunk: Chunk) -> bytes:
        """The bytes of a chunk."""
        with Path(self.file).open("rb") as file:
            file.seek(chunk.start)
            return file.read(chunk.length)


def read_riff(path: Path) -> RiffFile:
    """Find all chunks, reading nothing but their headers.

    Raises
    ------
    FileFault : not a RIFF WAVE file, or it is cut short inside a chunk.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if len(head) < 12 or head[:4] not in (b"RIFF", b"RIFX", b"RF64") or head[8:] != b"WAVE":
            raise FileFault(
                f"begins with `{head[:12].decode('latin-1')!r}`: not a WAV file",
                where=f"{path}, byte 0",
                expected="`RIFF`, `RIFX` or `RF64`, four bytes of length, `WAVE`",
            )
        order = ">" if head[:4] == b"RIFX" else "<"
        return RiffFile(str(path), order, size, tuple(_chunks(file, order, size, path)))


def _chunks(file: BinaryIO, order: str, size: int, path: Path) -> list[Chunk]:
    chunks: list[Chunk] = []
    data_length = 0
    at = 12
    while at < size:
        file.seek(at)
        head = file.read(8)
        if len(head) < 8:
            if not head.strip(b"\0"):
                break  # padding after the last chunk
            raise FileFault(
                f"is cut short after {len(head)} bytes of a chunk's header",
                where=f"{path}, byte {at}",
                expected="a name of four bytes and a length of four",
                do="copy the file again: its end is missing",
            )
        name, length = struct.unpack(f"{order}4sI", head)
        if name == b"ds64":
            (data_length,) = struct.unpack("<8xQ", file.read(16))
        elif name == b"data" and length == UNKNOWN_LENGTH:
            length = data_length or size - at - 8
        if at + 8 + length > size:
            raise FileFault(
                f"chunk `{name.decode('latin-1').strip()}` says {length} bytes, the file has {size - at - 8} more",
                where=f"{path}, byte {at}",
                expected=f"a file of {at + 8 + length} bytes, not {size}",
                do="copy the file again: its end is missing",
            )
        chunks.append(Chunk(name, at + 8, length))
        at += 8 + length + length % 2  # chunks begin at even bytes
    return chunks
