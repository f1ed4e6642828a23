"""Bits written as text, drawn as waveforms: what the tests of all buses put on the line."""

from __future__ import annotations

import numpy as np

from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.waveform import Waveform

HIGH = 3.3


def bits_of(text: str) -> list[int]:
    return [int(sign) for sign in text if sign in "01"]


def wave(
    bits: str | list[int], *, samples: int = 10, bit_time: float = 1.0, lead: int = 15, tail: int = 15
) -> Waveform:
    """Ideal edges; the first and last level, or high where there is none, before and after."""
    row = bits_of(bits) if isinstance(bits, str) else bits
    levels = np.array([*[1] * lead, *row, *[1] * tail])
    return Waveform.from_volts(HIGH * np.repeat(levels, samples), interval=bit_time / samples)


def uart_of(bits: str | list[int], *, samples: int = 10, lead: int = 15, tail: int = 15, **options: object) -> Frames:
    return decode({"tx": wave(bits, samples=samples, lead=lead, tail=tail)}, "uart", baud=1.0, **options)


def can_of(bits: str | list[int], *, samples: int = 10, lead: int = 15, tail: int = 15) -> Frames:
    return decode({"line": wave(bits, samples=samples, lead=lead, tail=tail)}, "can", bit_rate=1.0)
