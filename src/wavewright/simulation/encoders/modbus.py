"""Modbus RTU: messages with their CRC, and a line that carries some of them with the silence between."""

from __future__ import annotations

from collections.abc import Sequence

from wavewright.buses.line.checksums import CRCS, crc_of
from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.uart import uart_line


def message(address: int, function: int, data: bytes = b"") -> bytes:
    """A message: address, function, data, CRC with the low byte first (Modbus over serial line V1.02 †)."""
    body = bytes([address, function]) + data
    return body + crc_of(body, CRCS["modbus"]).to_bytes(2, "little")


def read_registers(address: int, register: int, count: int, *, function: int = 0x03) -> bytes:
    """A request to read registers; function 0x03 holding, 0x04 input registers."""
    return message(address, function, register.to_bytes(2, "big") + count.to_bytes(2, "big"))


def registers_answer(address: int, values: Sequence[int], *, function: int = 0x03) -> bytes:
    """The answer to it: a byte count and the registers, high byte first."""
    words = b"".join(value.to_bytes(2, "big") for value in values)
    return message(address, function, bytes([len(words)]) + words)


def modbus_line(
    messages: Sequence[bytes],
    *,
    baud: float = 19200.0,
    parity: str = "even",
    silence: float | Sequence[float] = 4.0,
    start: float = 0.0,
    lead: float = 0.0,
    tail: float = 0.0,
) -> Line:
    """A line that carries messages; characters inside one follow each other without a pause.

    Parameters
    ----------
    messages : whole, with their CRC.
    parity : with `none` a second stop bit takes its place, so that a character always has 11 bits (V1.02, 2.5.1).
    silence : after each message, in characters; one for all, or one for each.
    start : of the first start bit, s.
    lead, tail : idle before and after, s.
    """
    each = [silence] * len(messages) if isinstance(silence, int | float) else list(silence)
    pauses: list[float] = []
    for one, pause in zip(messages, each, strict=True):
        pauses += [0.0] * (len(one) - 1) + [11.0 * pause]
    stop_bits = 2.0 if parity == "none" else 1.0
    return uart_line(
        b"".join(messages),
        baud=baud,
        parity=parity,
        stop_bits=stop_bits,
        pauses=pauses,
        start=start,
        lead=lead,
        tail=tail,
    )
