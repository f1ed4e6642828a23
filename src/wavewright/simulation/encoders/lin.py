"""LIN: frames as a line that idles high."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.bits import line_of_bits
from wavewright.simulation.encoders.uart import character_bits


@dataclass(frozen=True, slots=True)
class LinMessage:
    """One frame: the bytes after the synchronisation byte as they go over the line, checksum last."""

    sent: bytes
    break_bits: int = 13
    delimiter_bits: int = 1


def lin_bits(message: LinMessage) -> list[int]:
    """All bits from the break to the last stop bit (LIN 2.1, 2.3.1 †)."""
    characters = [bit for byte in (0x55, *message.sent) for bit in character_bits(byte)]
    return [*[0] * message.break_bits, *[1] * message.delimiter_bits, *characters]


def lin_line(
    messages: Sequence[LinMessage], *, baud: float = 19200.0, idle: int = 20, start: float = 0.0, lead: int = 20
) -> Line:
    """A line that carries some frames, `idle` bits after each and `lead` bits before the first."""
    bits = [1] * lead
    for message in messages:
        bits += [*lin_bits(message), *[1] * idle]
    return line_of_bits(bits, bit_time=1 / baud, start=start - lead / baud)
