"""Lines that are read at a clock: I2S words and parallel buses."""

from __future__ import annotations

from collections.abc import Sequence

from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.bits import bits_of_word, line_of_bits


def clocked_lines(rows: Sequence[Sequence[int]], *, bit_rate: float, lead: float = 0.0) -> tuple[Line, list[Line]]:
    """A clock that rises in the middle of each bit, and one line for each row of bits, all of the same length."""
    period = 1 / bit_rate
    clock = line_of_bits([0, 1] * len(rows[0]), bit_time=period / 2, lead=lead, tail=period)
    return clock, [line_of_bits(row, bit_time=period, lead=lead, tail=period) for row in rows]


def i2s_bits(
    samples: Sequence[tuple[int, int]], *, word_bits: int = 16, alignment: str = "i2s"
) -> tuple[list[int], list[int]]:
    """Word select and data for pairs of samples (left, right), with two clocks of the other channel in front.

    Left is low for `i2s` and high for `left`; in `i2s` the data come one clock later (I2S bus specification).
    """
    left = int(alignment == "left")
    select, data = [1 - left] * 2, [0] * 2
    for pair in samples:
        for level, sample in zip((left, 1 - left), pair, strict=True):
            select += [level] * word_bits
            data += bits_of_word(sample & ((1 << word_bits) - 1), word_bits)
    if alignment == "i2s":
        return [*select, left], [0, *data]
    return [*select, left], [*data, 0]
