"""I2C: transfers as a clock and a data line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.bits import bits_of_word, line_of_changes


@dataclass(frozen=True, slots=True)
class Transfer:
    """One transfer: the bytes on the line, the address byte first, and which of them are acknowledged.

    Parameters
    ----------
    sent : all bytes as they go over the line.
    acknowledged : one for each byte; None: all are.
    stop : ended by a STOP; without it the next transfer begins with a repeated START.
    stretched : how much longer SCL stays low (s) before a bit, by the number of the bit counted from 0, nine a byte.
    bits : how many bits are sent before the condition, if not all.
    """

    sent: bytes
    acknowledged: Sequence[bool] | None = None
    stop: bool = True
    stretched: Mapping[int, float] = field(default_factory=dict)
    bits: int | None = None


def write_transfer(address: int, data: bytes = b"", *, stop: bool = True) -> Transfer:
    """A write to a 7-bit address."""
    return Transfer(bytes([address << 1]) + data, stop=stop)


def read_transfer(address: int, data: bytes, *, stop: bool = True) -> Transfer:
    """A read from a 7-bit address: the master acknowledges all but the last byte."""
    return Transfer(bytes([address << 1 | 1]) + data, [True] * len(data) + [False] if data else [True], stop)


def i2c_lines(
    transfers: Sequence[Transfer],
    *,
    bit_rate: float = 100e3,
    high_share: float = 0.45,
    hold: float | None = None,
    idle: float | None = None,
    start: float = 0.0,
    lead: float = 0.0,
    tail: float = 0.0,
) -> tuple[Line, Line]:
    """The two lines, SCL and SDA, that carry some transfers; setup and hold of a condition are the low time of SCL.

    Parameters
    ----------
    bit_rate : clocks per second.
    high_share : of the clock period during which SCL is high.
    hold : how long SDA keeps still after SCL has fallen, s; None: a quarter of the low time. 0 is allowed.
    idle : time between STOP and START, s; None: one period.
    start : of the first START, s.
    lead, tail : idle before and after, s.
    """
    period = 1.0 / bit_rate
    high, low = high_share * period, (1 - high_share) * period
    wait = low / 4 if hold is None else hold
    scl: list[tuple[float, bool]] = []
    sda: list[tuple[float, bool]] = []
    now, held = start, False
    for transfer in transfers:
        if held:  # repeated START: SDA up while SCL is low, SCL up, then SDA down
            sda.append((now + wait, True))
            scl.append((now + low, True))
            now += 2 * low
        sda.append((now, False))
        now += low
        scl.append((now, False))
        for number, bit in enumerate(_bits(transfer)):
            stretch = transfer.stretched.get(number, 0.0)
            sda.append((now + wait, bool(bit)))
            scl.append((now + low + stretch, True))
            now += low + stretch + high
            scl.append((now, False))
        held = not transfer.stop
        if transfer.stop:
            sda.append((now + wait, False))
            scl.append((now + low, True))
            sda.append((now + 2 * low, True))
            now += 2 * low + (period if idle is None else idle)
    end = now + tail
    return (
        line_of_changes(scl, first=True, start=start - lead, end=end),
        line_of_changes(sda, first=True, start=start - lead, end=end),
    )


def _bits(transfer: Transfer) -> list[int]:
    answers = [True] * len(transfer.sent) if transfer.acknowledged is None else list(transfer.acknowledged)
    pairs = zip(transfer.sent, answers, strict=True)
    bits = [bit for byte, answer in pairs for bit in (*bits_of_word(byte, 8), int(not answer))]
    return bits if transfer.bits is None else bits[: transfer.bits]
