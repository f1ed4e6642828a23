"""One frame in a few words: `0x48 read: 15 9F`."""

from __future__ import annotations

from typing import Any

from wavewright.buses.frame import Frame
from wavewright.buses.frame_text import show_field

CHECKS = frozenset({"crc", "checksum", "pec"})  # they say nothing that the errors do not
TIMES = frozenset({"clock_low"})
FLAGS_LEFT_OUT = frozenset({"stopped", "acknowledged", "repeated"})
NAMED = ("address", "identifier", "function", "register", "command")
"""Fields that say to whom, or what for: they stand before the colon."""


def frame_label(frame: Frame) -> str:
    """What the frame says: to whom, what for and which data; with its errors.

    Examples
    --------
    >>> frame_label(Frame(0.0, 1e-3, "transfer", {"address": 0x48, "read": True, "data": bytes([0x15, 0x9F])}))
    '0x48 read: 15 9F'
    """
    fields = frame.fields
    head = [_shown(name, fields[name]) for name in NAMED if name in fields]
    if "read" in fields:
        head.append("read" if fields["read"] else "write")
    shown = {*NAMED, "read", *CHECKS, *TIMES}
    data = [_named(name, fields[name]) for name in fields if name not in shown]
    body = " ".join(text for text in data if text) or ("" if head else frame.kind)
    text = f"{' '.join(head)}: {body}" if head and body else f"{' '.join(head)}{body}"
    return f"{text} ({', '.join(frame.errors)})" if frame.errors else text


def _shown(name: str, value: Any) -> str:
    return show_field(name, value)


def _named(name: str, value: Any) -> str:
    """Flags by their name where they are true; other fields by their value."""
    if isinstance(value, bool):
        return name.replace("_", " ") if value and name not in FLAGS_LEFT_OUT else ""
    if name in ("acknowledged", "length") or isinstance(value, tuple):
        return ""
    text = show_field(name, value)
    return f"{name} {text}" if name in ("mosi", "miso") else text
