"""How a document shows what is marked: the colours of the page on light ground, and a line for each kind."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from wavewright.reporting.marks import MarkRole

GROUND, INK, FAINT, GRID, FRAME, STRIP = "#ffffff", "#000000", "#595959", "#dcdcd7", "#8f8f8a", "#f3ecb0"
ROLES: Mapping[MarkRole, str] = MappingProxyType(
    {
        MarkRole.LIMIT: "#a33e00",
        MarkRole.FAILED: "#a33e00",
        MarkRole.REFERENCE: "#00517f",
        MarkRole.READING: "#00517f",
        MarkRole.TRIGGER: "#8a2b66",
        MarkRole.CENTRE: "#00684c",
        MarkRole.RARE: "#a3267a",
        MarkRole.MASK: "#a33e00",
    }
)
DASHES: Mapping[MarkRole, str] = MappingProxyType(
    {MarkRole.LIMIT: "", MarkRole.CENTRE: "9 3", MarkRole.REFERENCE: "5 4", MarkRole.TRIGGER: "2 3"}
)
SHADES = ("#56b4e9", "#3a87b7", "#1f74a8", "#0b5c91", "#08496f", "#06344f", "#032032", "#000000")  # few to many
READABLE = 4.5  # contrast of text against its ground (WCAG 2.2, 1.4.3)


def readable(colour: str) -> str:
    """A colour moved towards the ink until letters and thin lines of it can be read on the white ground."""
    parts = [int(colour[place : place + 2], 16) for place in (1, 3, 5)]
    while 1.05 / (_luminance(parts) + 0.05) < READABLE:
        parts = [int(0.95 * part) for part in parts]
    return f"#{''.join(f'{part:02x}' for part in parts)}"


def _luminance(parts: list[int]) -> float:
    """Relative luminance (WCAG 2.2, definition of that term)."""
    shares = [part / 255 for part in parts]
    linear = [share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4 for share in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
