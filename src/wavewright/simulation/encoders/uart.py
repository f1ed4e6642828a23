"""UART: characters as a start-stop line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.bits import bits_of_word, line_of_bits


def character_bits(
    word: int, *, data_bits: int = 8, parity: str = "none", stop_bits: float = 1.0, bit_order: str = "lsb"
) -> list[int]:
    """The bits of one character as they are sent: start, data, parity, whole stop bits (1.5 counts as one here)."""
    data = bits_of_word(word, data_bits, order=bit_order)
    ones = sum(data)
    extra = {"none": [], "even": [ones & 1], "odd": [1 - (ones & 1)], "mark": [1], "space": [0]}[parity]
    return [0, *data, *extra, *[1] * int(stop_bits)]


def uart_line(
    data: Sequence[int],
    *,
    baud: float,
    data_bits: int = 8,
    parity: str = "none",
    stop_bits: float = 1.0,
    bit_order: str = "lsb",
    pauses: float | Sequence[float] = 0.0,
    start: float = 0.0,
    lead: float = 0.0,
    tail: float = 0.0,
    inverted: bool = False,
) -> Line:
    """A line that says some characters.

    Parameters
    ----------
    data : the characters, such as bytes, or ints of up to 9 bits.
    baud : bit/s.
    pauses : idle after each character, in bits; one for all, or one for each.
    start : of the first start bit, s.
    lead, tail : idle before and after, s.
    inverted : for a line that idles low.
    """
    make: dict[str, Any] = {"data_bits": data_bits, "parity": parity, "stop_bits": stop_bits, "bit_order": bit_order}
    idle = np.broadcast_to(np.asarray(pauses, dtype=np.float64), (len(data),)) + (stop_bits - int(stop_bits))
    bits: list[int] = []
    times: list[float] = []
    for word, extra in zip(data, idle.tolist(), strict=True):
        one = character_bits(word, **make)
        bits += one
        times += [1.0] * (len(one) - 1) + [1.0 + extra]
    levels = np.array([1, *bits, 1], dtype=np.bool_)
    durations = np.array([0.0, *times, 0.0]) / baud
    line = line_of_bits(levels, bit_time=durations, start=start, lead=lead, tail=tail)
    return line.inverted() if inverted else line
