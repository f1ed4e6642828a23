"""CAN: base, extended, remote and flexible-rate frames as bits and as a line that is low when dominant.

The check is computed bit by bit with the shift register of the specification, and stuffing by counting: nothing here is
shared with the decoder.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.bits import bits_of_word, line_of_bits

LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
INTERMISSION = 3


@dataclass(frozen=True, slots=True)
class CanMessage:
    """What one frame says.

    Parameters
    ----------
    length : data length code, where it differs from the number of data bytes (remote frames, codes above 8).
    flexible, fast : a CAN FD frame, and one that switches to the data bit rate.
    flipped : unstuffed bits, counted from the start of frame, that are inverted before stuffing, the CRC being left.
    """

    identifier: int
    data: bytes = b""
    extended: bool = False
    remote: bool = False
    length: int | None = None
    acknowledged: bool = True
    flexible: bool = False
    fast: bool = False
    flipped: tuple[int, ...] = ()


def message_bits(message: CanMessage) -> list[int]:
    """The bits from the start of frame to the last data bit, without stuff bits (CAN 2.0 part B, 3 †)."""
    length = LENGTHS.index(len(message.data)) if message.length is None else message.length
    control = [0, 0] if message.extended else [0]
    if message.flexible:
        control = [1, 0, int(message.fast), 0]
    remote = int(message.remote)
    if message.extended:
        upper, lower = bits_of_word(message.identifier >> 18, 11), bits_of_word(message.identifier & 0x3FFFF, 18)
        head = [*upper, 1, 1, *lower, remote]
    else:
        head = [*bits_of_word(message.identifier, 11), remote, 0]
    return [
        0,
        *head,
        *control,
        *bits_of_word(length, 4),
        *(bit for byte in message.data for bit in bits_of_word(byte, 8)),
    ]


def shift_register(bits: Sequence[int], *, width: int, polynomial: int, start: int = 0) -> int:
    """The CRC of a row of bits, as the specification's shift register computes it."""
    register, mask = start, (1 << width) - 1
    for bit in bits:
        turns_over = bit ^ register >> (width - 1) & 1
        register = (register << 1 & mask) ^ (polynomial if turns_over else 0)
    return register


def stuffed(bits: Sequence[int]) -> list[int]:
    """After five equal bits a complementary one, which counts as the first of the next run (CAN 2.0 part A, 5)."""
    line: list[int] = []
    run = 0
    for bit in bits:
        run = run + 1 if line and line[-1] == bit else 1
        line.append(bit)
        if run == 5:
            line.append(1 - bit)
            run = 1
    return line


def frame_bits(message: CanMessage) -> list[int]:
    """All bits of a classical frame as they go over the line, from the start to the end of frame."""
    bits = message_bits(message)
    check = shift_register(bits, width=15, polynomial=0x4599)
    bits += bits_of_word(check, 15)
    for place in message.flipped:
        bits[place] ^= 1
    return [*stuffed(bits), 1, int(not message.acknowledged), 1, *[1] * 7]


def flexible_frame(message: CanMessage) -> tuple[list[int], int, int]:
    """All bits of a CAN FD frame, and the indices of the first and last whose sample points bound the data phase."""
    plain = message_bits(replace(message, flexible=True))
    switch = 33 + 2 if message.extended else 14 + 2  # BRS, unstuffed
    line: list[int] = []
    places: list[int] = []
    run = 0
    for place, bit in enumerate(plain):
        run = run + 1 if line and line[-1] == bit else 1
        places.append(len(line))
        line.append(bit)
        if run == 5 and place + 1 < len(plain):
            line.append(1 - bit)
            run = 1
    stuff_bits = len(line) - len(plain)
    gray = (stuff_bits % 8) ^ (stuff_bits % 8 >> 1)
    counted = bits_of_word(gray, 3)
    counted.append(sum(counted) % 2)
    width, polynomial = (17, 0x1685B) if len(message.data) <= 16 else (21, 0x102899)
    check = shift_register([*line, *counted], width=width, polynomial=polynomial, start=1 << (width - 1))
    for number, bit in enumerate([*counted, *bits_of_word(check, width)]):
        if number % 4 == 0:
            line.append(1 - line[-1])
        line.append(bit)
    for place in message.flipped:
        line[places[place]] ^= 1
    delimiter = len(line)
    return [*line, 1, int(not message.acknowledged), 1, *[1] * 7], places[switch], delimiter


def can_line(
    messages: Sequence[CanMessage],
    *,
    bit_rate: float = 500e3,
    data_bit_rate: float | None = None,
    sample_point: float = 0.75,
    idle: int = 0,
    start: float = 0.0,
    lead_bits: int = 11,
    tail_bits: int = 11,
) -> Line:
    """A line that carries some messages.

    Parameters
    ----------
    bit_rate, data_bit_rate : bit/s; the second in the data phase of frames that switch.
    sample_point : at which the rate changes, in both phases.
    idle : bits between two frames beside the three of intermission.
    start : of the first start of frame, s.
    lead_bits, tail_bits : recessive before the first and after the last.
    """
    slow, fast = 1 / bit_rate, 1 / (data_bit_rate or bit_rate)
    mixed = (sample_point * slow + (1 - sample_point) * fast, sample_point * fast + (1 - sample_point) * slow)
    bits: list[int] = [1] * lead_bits
    times: list[float] = [slow] * lead_bits
    for message in messages:
        if message.flexible:
            one, switch, back = flexible_frame(message)
            each = [slow] * len(one)
            if message.fast:
                each[switch : back + 1] = [mixed[0], *[fast] * (back - switch - 1), mixed[1]]
        else:
            one = frame_bits(message)
            each = [slow] * len(one)
        bits += [*one, *[1] * (INTERMISSION + idle)]
        times += [*each, *[slow] * (INTERMISSION + idle)]
    bits += [1] * tail_bits
    times += [slow] * tail_bits
    return line_of_bits(bits, bit_time=np.array(times), start=start - lead_bits * slow)
