"""Frames as text: numbers in hex, decimal or binary, bytes likewise or as text with its control characters visible."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Literal

from wavewright.buses.frame import Frame
from wavewright.quantities import show_quantity

Base = Literal["hex", "decimal", "binary", "text"]
NUMERIC = ("data", "address", "identifier", "function", "register", "command", "mosi", "miso", "crc", "checksum", "pec")
"""Fields whose numbers are shown in the chosen base; all others are counts and stay decimal."""


def show_text(characters: bytes | Iterable[int]) -> str:
    r"""Text with every control character as its picture (U+2400 …, after ISO 646), other bytes beyond ASCII as `\xE5`.

    Examples
    --------
    >>> show_text(b"OK\r\n")
    'OK␍␊'
    """
    return "".join(_sign(code) for code in characters)


def show_bytes(data: bytes | Sequence[int], base: Base = "hex") -> str:
    """Bytes in a base, separated by spaces; as text without.

    Examples
    --------
    >>> show_bytes(b"Hi", "binary")
    '01001000 01101001'
    """
    return show_text(data) if base == "text" else " ".join(show_number(byte, base, width=8) for byte in data)


def show_number(value: int, base: Base = "hex", *, width: int = 0) -> str:
    """A number in a base; hex and binary are filled up to `width` bits, text is the character of that code.

    Examples
    --------
    >>> show_number(0x2F, "hex", width=12)
    '02F'
    """
    if base == "decimal":
        return str(value)
    if base == "binary":
        return f"{value:0{max(width, 1)}b}"
    if base == "text" and 0 <= value < 256:
        return _sign(value)
    return f"{value:0{max((width + 3) // 4, 2)}X}"


def show_field(name: str, value: Any, base: Base = "hex") -> str:
    """The value of a field: numbers and bytes in the base, flags as `yes` and `no`, acknowledgements as `A` and `N`.

    A number in hex has `0x` in front, as searches and recipes write it; bytes stand without, as in `contains: "11 03"`.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, bytes):
        return show_bytes(value, base)
    if isinstance(value, int):
        shown = show_number(value, base) if name in NUMERIC else str(value)
        return f"0x{shown}" if name in NUMERIC and base == "hex" else shown
    if isinstance(value, float):
        return show_quantity(value, "s")
    if isinstance(value, tuple):
        if name == "acknowledged":
            return "".join("A" if flag else "N" for flag in value)
        return ", ".join(show_field(name, part, base) for part in value)
    return str(value)


def frame_rows(frames: Iterable[Frame], base: Base = "hex") -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Frames as a table: its headings, and one row of texts a frame; a field that a frame does not have is empty."""
    given = list(frames)
    names = tuple(dict.fromkeys(name for frame in given for name in frame.fields))
    rows = [
        (
            show_quantity(frame.start, "s", resolution=1e-9),
            show_quantity(frame.end - frame.start, "s", resolution=1e-9),
            frame.kind,
            *(show_field(name, frame.fields[name], base) if name in frame.fields else "" for name in names),
            ", ".join(frame.errors),
        )
        for frame in given
    ]
    return ("start", "duration", "kind", *names, "errors"), rows


def _sign(code: int) -> str:
    if code < 0x20:
        return chr(0x2400 + code)
    if code == 0x7F:
        return "\u2421"
    return chr(code) if code < 0x7F else f"\\x{code:02X}"
