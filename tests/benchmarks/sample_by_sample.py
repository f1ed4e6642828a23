"""Straightforward decoders that look at one sample after the other: what the fast ones are compared with.

Each is what one writes first with the public API: a loop over the volts, a comparator with hysteresis, a counter to the
middle of the next bit. None does anything twice. `listed` turns the volts into a list of Python floats beforehand,
which is the one trick that makes such a loop faster.
"""

from __future__ import annotations

from collections.abc import Iterator

from wavewright.waveform import Waveform


def levels(wave: Waveform, low: float, high: float, *, listed: bool = False) -> Iterator[bool]:
    """The state of a line at each sample: a comparator with two thresholds."""
    state = True
    for volts in wave.values().tolist() if listed else wave.values():
        if volts >= high:
            state = True
        elif volts <= low:
            state = False
        yield state


def uart(tx: Waveform, *, samples_per_bit: float, low: float, high: float, listed: bool = False) -> list[int]:
    """Data of all 8N1 characters whose stop bit is high."""
    found = []
    previous, bit, word, due = True, -1, 0, 0.0
    for count, level in enumerate(levels(tx, low, high, listed=listed)):
        if bit < 0:
            if previous and not level:
                bit, word, due = 0, 0, count + 0.5 * samples_per_bit
        elif count >= due:
            if bit == 0:
                bit = -1 if level else 1
            elif bit <= 8:
                word |= level << (bit - 1)
                bit += 1
            else:
                if level:
                    found.append(word)
                bit = -1
            due += samples_per_bit
        previous = level
    return found


def i2c(scl: Waveform, sda: Waveform, *, low: float, high: float, listed: bool = False) -> list[bytes]:
    """All bytes of each transfer, the address byte first."""
    found: list[bytes] = []
    clock_before, data_before = True, True
    message, word, bits = bytearray(), 0, 0
    for clock, data in zip(*(levels(wave, low, high, listed=listed) for wave in (scl, sda)), strict=True):
        if clock and clock_before and data != data_before:
            if message:
                found.append(bytes(message))
            message, word, bits = bytearray(), 0, 0
        elif clock and not clock_before:
            bits += 1
            if bits == 9:
                message.append(word)
                word, bits = 0, 0
            else:
                word = word << 1 | data
        clock_before, data_before = clock, data
    if message:
        found.append(bytes(message))
    return found


def spi(
    clock: Waveform, mosi: Waveform, select: Waveform, *, low: float, high: float, listed: bool = False
) -> list[int]:
    """Words of eight bits in mode 0."""
    found = []
    before, word, bits = False, 0, 0
    lines = (levels(wave, low, high, listed=listed) for wave in (clock, mosi, select))
    for now, data, released in zip(*lines, strict=True):
        if released:
            word, bits = 0, 0
        elif now and not before:
            word = word << 1 | data
            bits += 1
            if bits == 8:
                found.append(word)
                word, bits = 0, 0
        before = now
    return found


def can(
    line: Waveform, *, samples_per_bit: float, low: float, high: float, listed: bool = False
) -> list[tuple[int, bytes]]:
    """Identifier and data of all base data frames whose CRC fits."""
    found = []
    bits: list[int] = []
    previous, last, ones, run, due = True, True, 0, 0, 0.0
    for count, level in enumerate(levels(line, low, high, listed=listed)):
        if previous and not level:
            due = count + 0.75 * samples_per_bit
        previous = level
        if count < due:
            continue
        due += samples_per_bit
        if not bits:
            if ones >= 10 and not level:
                bits, last, run = [0], level, 1
            ones = ones + 1 if level else 0
        elif run == 5:
            if level == last:
                bits, ones = [], 0  # a stuff error
            last, run = level, 1
        else:
            run = run + 1 if level == last else 1
            last = level
            bits.append(int(level))
            if len(bits) > 18 and len(bits) == 34 + 8 * _number(bits[15:19]):
                if _remainder(bits) == 0:
                    octets = bytes(_number(bits[k : k + 8]) for k in range(19, len(bits) - 15, 8))
                    found.append((_number(bits[1:12]), octets))
                bits, ones = [], 0
    return found


def _number(bits: list[int]) -> int:
    value = 0
    for bit in bits:
        value = value << 1 | bit
    return value


def _remainder(bits: list[int]) -> int:
    register = 0
    for bit in bits:
        turn = bit ^ register >> 14
        register = register << 1 & 0x7FFF
        if turn:
            register ^= 0x4599
    return register
