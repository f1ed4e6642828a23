"""Picture files: whether bytes are a whole PNG or JPEG, and a picture that a recipe shows beside `place:`.

SVG is not among them: it can hold scripts and refer to other files.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field
from pathlib import Path

PNG, JPEG = "image/png", "image/jpeg"
_PNG_HEAD = b"\x89PNG\r\n\x1a\n"  # PNG specification (W3C, third edition), 5.2 †
_JPEG_BARE = {0x01, *range(0xD0, 0xD9)}  # markers without a length (ITU-T T.81, B.1.1.3 †)


@dataclass(frozen=True, slots=True)
class PlacePicture:
    """A picture of where the probes go, as it was when the recipe was read."""

    name: str
    path: Path
    sha256: str
    media: str
    content: bytes = field(repr=False)


def picture_media(content: bytes) -> str:
    """`image/png` or `image/jpeg` for the whole bytes of such a picture; empty for anything else, and a damaged one."""
    if content.startswith(_PNG_HEAD):
        return PNG if _is_whole_png(content) else ""
    if content.startswith(b"\xff\xd8\xff"):
        return JPEG if _is_whole_jpeg(content) else ""
    return ""


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
    at, has_frame = 2, False
    while at + 4 <= len(content) and content[at] == 0xFF:
        marker = content[at + 1]
        if marker == 0xFF or marker in _JPEG_BARE:
            at += 1 if marker == 0xFF else 2
            continue
        has_frame = has_frame or (0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC))
        if marker == 0xDA:
            return has_frame and content.rstrip(b"\0").endswith(b"\xff\xd9")
        at += 2 + int.from_bytes(content[at + 2 : at + 4], "big")
    return False
