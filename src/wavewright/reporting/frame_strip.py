"""The decoded traffic on the lines of a shot, as a strip above the trace."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from wavewright.buses.frame import Frame
from wavewright.buses.frame_text import show_field
from wavewright.errors import NotMeasurable
from wavewright.reporting.marks import FrameMark

if TYPE_CHECKING:
    from wavewright.reporting.drawn_shot import DrawnShot

MOST_FRAMES = 400  # in one picture
QUIET = frozenset({"crc", "checksum", "pec", "length"})  # fields that say nothing which the errors do not
QUIET_FLAGS = frozenset({"acknowledged", "stopped"})  # nor do these, as flags
NAMED = frozenset({"mosi", "miso"})  # two values that look alike


def strip_marks(subject: DrawnShot) -> Iterator[tuple[str, FrameMark]]:
    """One box per frame, with the channel that the line is decoded from first, above which it belongs."""
    for line, wanted in subject.measurement.decode.items():
        channel = next(iter(wanted.channels.values()))
        try:
            frames = subject.shot.frames(line)
        except NotMeasurable:
            continue
        for frame in frames[:MOST_FRAMES]:
            yield channel, FrameMark(frame.start, frame.end, said(frame), bool(frame.errors))


def said(frame: Frame) -> str:
    """What the box of a frame says: what it is and to whom, then its bytes; `0x48 read: 15 9F`."""
    fields = {name: value for name, value in frame.fields.items() if name not in QUIET}
    if "function_name" in fields:
        fields.pop("function", None)  # its number says the same
    heads = [_field(name, value) for name, value in fields.items() if not isinstance(value, bytes)]
    contents = [show_field(name, value) for name, value in fields.items() if isinstance(value, bytes)]
    head, content = (" ".join(text for text in texts if text) for texts in (heads, contents))
    wrong = f" ({', '.join(frame.errors)})" if frame.errors else ""
    return f"{': '.join(text for text in (head, content) if text) or frame.kind}{wrong}"


def _field(name: str, value: Any) -> str:
    """A field without its heading: a flag by its name where it is set, times not at all."""
    if isinstance(value, bool):
        if name == "read":
            return "read" if value else "write"
        return name.replace("_", " ") if value and name not in QUIET_FLAGS else ""
    if name == "acknowledged" and isinstance(value, tuple):
        # a reader says no to the last byte that it wants (UM10204, 3.1.6)
        return "" if all(value[:-1]) else "not acknowledged"
    if isinstance(value, float):
        return ""
    return f"{name} {show_field(name, value)}" if name in NAMED else show_field(name, value)
