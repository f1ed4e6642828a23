"""What is sent, as tests write it: texts, bits, a break, the answer of a unit that refuses."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.modbus import message


def break_line(*, duration: float, start: float = 0.0, lead: float = 0.0, tail: float = 0.0) -> Line:
    """A break: the line low for some time (s)."""
    return Line(True, np.array([start, start + duration]), start - lead, start + duration + tail)


def text_bytes(*texts: str | Iterable[int]) -> bytes:
    """Text (ASCII) and bytes put together into what is sent."""
    return b"".join(text.encode("ascii") if isinstance(text, str) else bytes(text) for text in texts)


def bits_of_text(text: str) -> list[int]:
    """Bits written as `0` and `1`; anything else only separates fields."""
    return [int(sign) for sign in text if sign in "01"]


def exception_answer(address: int, function: int, code: int) -> bytes:
    """The answer of a unit that cannot do what was asked."""
    return message(address, function | 0x80, bytes([code]))
