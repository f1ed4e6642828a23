"""Picture files: whether bytes are a whole PNG or JPEG, and a picture that a recipe shows beside `place:`.

SVG is not among them: it can hold scripts and refer to other files.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

PNG, JPEG = "image/png", "image/jpeg"
_PNG_HEAD = b"\x89PNG\r\n\x1a\n"  # PNG specification (W3C, third edition), 5.2 †
_JPEG_BARE = {0x01, *range(0xD0, 0xD9)}  # markers without a length (ITU-T T.81, B.1.1.3 †)
_JPEG_FRAMES = frozenset({*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC})
_JPEG_SCAN = 0xDA


@dataclass(frozen=True, slots=True)
class PlacePicture:
    """A picture of where the probes go, as it was when the recipe was read."""

    name: str
    path: Path
    sha256: str
    media: str
    content: bytes = field(repr=False)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, pixels."""
        return picture_size(self.content)


def picture_media(content: bytes) -> str:
    """`image/png` or `image/jpeg` for the whole bytes of such a picture; empty for anything else, and a damaged one."""
    if content.startswith(_PNG_HEAD):
        return PNG if _is_whole_png(content) else ""
    if content.startswith(b"\xff\xd8\xff"):
        return JPEG if _is_whole_jpeg(content) else ""
    return ""


def picture_size(content: bytes) -> tuple[int, int]:
    """Width and height, pixels, that a whole PNG or JPEG states; zeros where it states none.

    PNG: the two first numbers of IHDR (W3C, third edition, 11.2.1 †). JPEG: the frame header has the number of lines
    first (ITU-T T.81, B.2.2 †); a JPEG whose lines are counted at its end states none.
    """
    if content.startswith(_PNG_HEAD):
        return int.from_bytes(content[16:20], "big"), int.from_bytes(content[20:24], "big")
    for marker, at in _jpeg_segments(content):
        if marker in _JPEG_FRAMES:
            return int.from_bytes(content[at + 7 : at + 9], "big"), int.from_bytes(content[at + 5 : at + 7], "big")
    return 0, 0


def has_changed(picture: PlacePicture) -> bool:
    """Whether the file is no longer what it was when the recipe was read."""
    try:
        with picture.path.open("rb") as file:
            return file.read(len(picture.content) + 1) != picture.content
    except OSError:
        return True


def _is_whole_png(content: bytes) -> bool:
    """Every chunk with its CRC, from IHDR to IEND, and nothing after it."""
    at, first = len(_PNG_HEAD), True
    while at + 12 <= len(content):
        length, kind = int.from_bytes(content[at : at + 4], "big"), content[at + 4 : at + 8]
        end = at + 12 + length
        if end > len(content) or zlib.crc32(content[at + 4 : end - 4]) != int.from_bytes(content[end - 4 : end], "big"):
            return False
        if first and (kind != b"IHDR" or length != 13):
            return False
        if kind == b"IEND":
            return end == len(content)
        at, first = end, False
    return False


def _is_whole_jpeg(content: bytes) -> bool:
    """Every segment up to the scan, a frame among them, and the end of the image at the end."""
    has_frame = False
    for marker, _ in _jpeg_segments(content):
        has_frame = has_frame or marker in _JPEG_FRAMES
        if marker == _JPEG_SCAN:
            return has_frame and content.rstrip(b"\0").endswith(b"\xff\xd9")
    return False


def _jpeg_segments(content: bytes) -> Iterator[tuple[int, int]]:
    """Each segment up to the scan: its marker, and where it begins."""
    at = 2
    while at + 4 <= len(content) and content[at] == 0xFF:
        marker = content[at + 1]
        if marker == 0xFF or marker in _JPEG_BARE:
            at += 1 if marker == 0xFF else 2
            continue
        yield marker, at
        if marker == _JPEG_SCAN:
            return
        at += 2 + int.from_bytes(content[at + 2 : at + 4], "big")
