"""The decoded traffic on the lines of a shot, as a strip above the trace."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from wavewright.buses.frame import Frame
from wavewright.buses.frame_text import show_field
from wavewright.errors import NotMeasurable
from wavewright.reporting.traces import StripMark

if TYPE_CHECKING:
    from wavewright.reporting.drawn_shot import DrawnShot

MOST_FRAMES = 400  # in one picture
QUIET = frozenset({"crc", "checksum", "pec"})  # fields that say nothing which the errors do not


def strip_marks(subject: DrawnShot) -> Iterator[StripMark]:
    """One box per frame, over the channel that the line is decoded from first."""
    for line, wanted in subject.measurement.decode.items():
        channel = next(iter(wanted.channels.values()))
        try:
            frames = subject.shot.frames(line)
        except NotMeasurable:
            continue
        for frame in frames[:MOST_FRAMES]:
            yield StripMark(channel, frame.start, frame.end, _said(frame), bool(frame.errors))


def _said(frame: Frame) -> str:
    fields = [show_field(name, value) for name, value in frame.fields.items() if name not in QUIET]
    wrong = f" ({', '.join(frame.errors)})" if frame.errors else ""
    return f"{' '.join(text for text in fields if text) or frame.kind}{wrong}"
