"""What puts frames on a line: written from the standards, with the checks of other libraries (crccheck 1.3.1).

Sources: as each bus says in its own tests; from memory where those say so. No code is shared with decoders or encoders.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import crccheck.crc as checks
import numpy as np

from tests.buses.damaged.wire import Said, Traffic, Wire

Generator = np.random.Generator


def octets(generator: Generator, least: int, most: int) -> bytes:
    """Some bytes, now and then extreme ones."""
    count = int(generator.integers(least, most + 1))
    if generator.random() < 0.15:
        return bytes([int(generator.choice([0x00, 0xFF, 0x80, 0x01]))] * count)
    return generator.integers(0, 256, count, dtype=np.uint8).tobytes()


def one_of(generator: Generator, *choices: Any) -> Any:
    return choices[int(generator.integers(len(choices)))]


def character(value: int, bits: int, parity: str, stops: int) -> str:
    """Start bit, data from the lowest bit on, parity, stop bits (ISO 1177)."""
    data = format(value, f"0{bits}b")[::-1]
    ones = data.count("1")
    check = {"none": "", "even": str(ones % 2), "odd": str(1 - ones % 2)}[parity]
    return "0" + data + check + "1" * stops


def uart(generator: Generator) -> Traffic:
    bits, parity, stops = one_of(generator, (8, "none", 1), (8, "even", 1), (7, "odd", 1), (8, "none", 2))
    rate = 1 + generator.uniform(-0.03, 0.03)
    bit, tx, said = 1 / (9600 * rate), Wire(), []
    tx.hold(1, float(generator.uniform(11, 25)) * bit)
    for value in octets(generator, 4, 9):
        sent, start = character(value % (1 << bits), bits, parity, stops), tx.now
        tx.send(sent, bit)
        said.append(Said(start, tx.now, value % (1 << bits)))
        tx.hold(1, float(generator.choice([0, 0, 0, 0.3, 2.5, 14])) * bit)
    tx.hold(1, 14 * bit)
    options = {"baud": 9600.0, "data_bits": bits, "parity": parity, "stop_bits": stops}
    return Traffic("uart", {"tx": tx}, said, bit, 12 * bit, options, samples=(4, 25))


def modbus(generator: Generator) -> Traffic:
    bit, tx, said = 1 / 19200, Wire(), []
    tx.hold(1, 45 * bit)
    for _ in range(4):
        body = bytes([int(generator.integers(1, 248)), int(one_of(generator, 3, 4, 6, 16))]) + octets(generator, 1, 8)
        start = tx.now
        for value in body + checks.CrcModbus.calc(body).to_bytes(2, "little"):
            tx.send(character(value, 8, "even", 1), bit)
        said.append(Said(start, tx.now, (body[0], body[1], body[2:])))
        tx.hold(1, float(generator.uniform(40, 70)) * bit)
    options = {"baud": 19200.0, "parity": "even", "then": "modbus_rtu"}
    return Traffic("uart", {"tx": tx}, said, bit, 80 * bit, options, flippable=True, samples=(4, 20))


def with_stuff_bits(bits: str) -> str:
    """The other bit after each five of equal ones, which begins the next run (CAN 2.0, 5)."""
    line, begin = "", 0
    for sign in bits:
        line += sign
        if len(line) - begin >= 5 and len(set(line[-5:])) == 1:
            begin = len(line)
            line += "10"[int(sign)]
    return line


def can_bits(identifier: int, data: bytes, *, extended: bool, acknowledged: str = "0") -> str:
    head = (
        f"0{identifier >> 18:011b}11{identifier & 0x3FFFF:018b}000" if extended else f"0{identifier:011b}000"
    ) + f"{len(data):04b}"  # fmt: skip
    body = head + "".join(f"{byte:08b}" for byte in data)
    crc = checks.Crc15Can.calc(int(body, 2).to_bytes(len(body) // 8 + 1, "big"))
    return with_stuff_bits(body + f"{crc:015b}") + f"1{acknowledged}1" + "1" * 7


def can(generator: Generator) -> Traffic:
    bit, line, said = 2e-6 * (1 + generator.uniform(-0.004, 0.004)), Wire(), []
    line.hold(1, float(generator.uniform(12, 30)) * bit)
    for _ in range(3):
        extended = bool(generator.random() < 0.3)
        identifier, data = int(generator.integers(1 << (29 if extended else 11))), octets(generator, 0, 8)
        start, sent = line.now, can_bits(identifier, data, extended=extended)
        line.send(sent, bit)
        said.append(Said(start, line.now, ("data", identifier, data)))
        line.send("1", bit)
        if generator.random() < 0.1:  # an overload frame from the second bit of the pause on
            said.append(Said(line.now, line.now + 14 * bit, ("overload", None, None), leans=True))
            line.send("000000" + "1" * 8 + "1", bit)
        line.hold(1, float(generator.choice([2, 2, 6, 40])) * bit)
    line.hold(1, 20 * bit)
    options = {"bit_rate": 5e5, "sample_point": float(generator.choice([0.75, 0.8, 0.875]))}
    return Traffic("can", {"line": line}, said, bit, 14 * bit, options, flippable=True, samples=(6, 25))


LENGTHS = {0: 0, 1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 6, 7: 7, 8: 8, 12: 9, 16: 10, 20: 11, 24: 12, 32: 13, 48: 14, 64: 15}


def crc_of_bits(bits: str, width: int, polynomial: int) -> int:
    """By long division, the register beginning with a one on the left (ISO 11898-1:2015, from memory)."""
    register = 1 << (width - 1)
    for sign in bits:
        register = register << 1 ^ (polynomial if (register >> (width - 1) & 1) != int(sign) else 0)
        register &= (1 << width) - 1
    return register


def can_fd_bits(identifier: int, data: bytes, *, fast: bool, miscounted: int = 0) -> tuple[str, str, str]:
    """Bits at the slow, the fast and the slow rate again (ISO 11898-1:2015, from memory).

    `miscounted`: which of the four bits that tell the number of stuff bits are turned over, before the check.
    """
    head = f"0{identifier:011b}0010{int(fast)}"  # start, identifier, RRS, IDE, FDF, res, BRS
    rest = f"0{LENGTHS[len(data)]:04b}" + "".join(f"{byte:08b}" for byte in data)
    stuffed = with_stuff_bits(head + rest[:-1])[: len(with_stuff_bits(head + rest)) - 1] + rest[-1]
    count = len(stuffed) - len(head + rest)
    gray = count % 8 ^ count % 8 >> 1
    width, polynomial = (17, 0x1685B) if len(data) <= 16 else (21, 0x102899)
    counted = f"{(gray << 1 | gray.bit_count() % 2) ^ miscounted:04b}"
    check = counted + f"{crc_of_bits(stuffed + counted, width, polynomial):0{width}b}"
    at = len(with_stuff_bits(head + "0")) - 1 if with_stuff_bits(head)[-1:] == "" else len(with_stuff_bits(head))
    line = stuffed
    for place, sign in enumerate(check):
        line += ("10"[int(line[-1])] if place % 4 == 0 else "") + sign
    return line[:at], line[at:], "101" + "1" * 7


def can_fd(generator: Generator) -> Traffic:
    bit, ratio, line, said = 2e-6, int(generator.choice([2, 4, 8])), Wire(), []
    line.hold(1, 20 * bit)
    for _ in range(3):
        identifier = int(generator.integers(1 << 11))
        data, fast = octets(generator, 0, 8), bool(generator.random() < 0.8)
        if generator.random() < 0.3:
            data = octets(generator, 20, 20)
        start = line.now
        first, middle, last = can_fd_bits(identifier, data, fast=fast)
        short = bit / ratio if fast else bit
        line.send(first[:-1], bit)
        line.send(first[-1], 0.75 * bit + 0.25 * short)  # the rate changes at the sample points of these two bits
        line.send(middle, short)
        line.send(last[0], 0.75 * short + 0.25 * bit)
        line.send(last[1:], bit)
        said.append(Said(start, line.now, ("flexible data", identifier, data)))
        line.hold(1, float(generator.choice([3, 3, 8, 40])) * bit)
    line.hold(1, 20 * bit)
    options = {"bit_rate": 5e5, "data_bit_rate": 5e5 * ratio}
    return Traffic(
        "can",
        {"line": line},
        said,
        bit,
        14 * bit,
        options,
        flippable=True,
        samples=(8 * ratio, 16 * ratio),
        shortest=0.02,
    )


def lin(generator: Generator) -> Traffic:
    bit, line, said = 1 / (19200 * (1 + generator.uniform(-0.014, 0.014))), Wire(), []
    line.hold(1, 20 * bit)
    enhanced = {0x10: True, 0x21: False, 0x2A: True}  # the checksum of an identifier is of one kind
    order = [0x10, 0x21, 0x2A] * 2 + [0x10, 0x21, 0x2A]
    for identifier in order:
        data = octets(generator, 2, 4)
        ids = [identifier >> place & 1 for place in range(6)]
        protected = identifier | (ids[0] ^ ids[1] ^ ids[2] ^ ids[4]) << 6 | (1 ^ ids[1] ^ ids[3] ^ ids[4] ^ ids[5]) << 7
        total = sum(data) + (protected if enhanced[identifier] else 0)
        checksum = 255 - (total % 255 or (255 if total else 0))
        start = line.now
        line.hold(0, int(generator.integers(13, 16)) * bit)
        line.hold(1, bit)
        for value in (0x55, protected, *data, checksum):
            line.send(character(value, 8, "none", 1), bit)
            line.hold(1, float(generator.choice([0, 0, 1.5])) * bit)
        said.append(Said(start, line.now, (identifier, data)))
        line.hold(1, float(generator.uniform(11, 40)) * bit)
    line.hold(1, 14 * bit)
    return Traffic("lin", {"line": line}, said, bit, 14 * bit, {"baud": 19200.0}, flippable=False, samples=(6, 20))


def onewire(generator: Generator) -> Traffic:
    line, said, us = Wire(), [], 1e-6
    line.hold(1, 700 * us)
    for _ in range(3):
        data, start = octets(generator, 1, 4), line.now
        line.hold(0, float(generator.choice([479, 480, 500, 600])) * us)
        line.hold(1, 30 * us)
        line.hold(0, float(generator.uniform(70, 200)) * us)
        line.hold(1, 300 * us)
        for sign in "".join(f"{byte:08b}"[::-1] for byte in data):
            low = float(generator.uniform(2, 8) if sign == "1" else generator.uniform(62, 100)) * us
            line.hold(0, low)
            line.hold(1, 105 * us - low)
        said.append(Said(start, line.now, data))
        line.hold(1, float(generator.uniform(20, 900)) * us)
    line.hold(1, 600 * us)
    # a bit is what a written one lasts here
    return Traffic("onewire", {"line": line}, said, 6 * us, 1500 * us, samples=(6, 12), longest=0.7, tolerance=30)


def manchester(generator: Generator) -> Traffic:
    bit, line, said = 1e-6, Wire(0), []
    line.hold(0, 3 * bit)
    for _ in range(4):
        data, start = b"\xa5" + octets(generator, 1, 4), line.now
        for sign in "".join(f"{byte:08b}" for byte in data):
            line.send("01" if sign == "1" else "10", bit / 2)
        said.append(Said(start, line.now, data))
        line.hold(0, float(generator.uniform(4, 9)) * bit)
    return Traffic("manchester", {"line": line}, said, bit, 4 * bit, {"bit_rate": 1e6}, samples=(8, 25), longest=0.2)


def clocked(generator: Generator, wires: dict[str, Wire], clock: str, rows: dict[str, str], bit: float) -> None:
    """Data change at the falling clock and stay for a whole one; the clock is high in the second half."""
    for place in range(len(next(iter(rows.values())))):
        for name, row in rows.items():
            wires[name].hold(int(row[place]), bit)
        wires[clock].hold(0, bit / 2)
        wires[clock].hold(1, bit / 2)
    wires[clock].hold(0, 0)


def spi(generator: Generator) -> Traffic:
    bit, said = 1e-6, []
    wires = {"clock": Wire(0), "mosi": Wire(0), "miso": Wire(0), "select": Wire(1)}
    for each in wires.values():
        each.hold(each.level, 3 * bit)
    for _ in range(4):
        wires["select"].hold(0, 0)
        for _ in range(int(generator.integers(1, 5))):
            words = [int(word) for word in generator.integers(0, 256, 2)]
            start = wires["clock"].now
            clocked(generator, wires, "clock", {"mosi": f"{words[0]:08b}", "miso": f"{words[1]:08b}"}, bit)
            wires["select"].hold(0, 8 * bit)
            said.append(Said(start, wires["clock"].now, tuple(words)))
        pause = float(generator.uniform(3, 9)) * bit
        for name, each in wires.items():
            each.hold(0 if name == "clock" else each.level, bit)
            each.hold(1 if name == "select" else each.level, pause)
    return Traffic("spi", wires, said, bit, 40 * bit, samples=(8, 25), longest=0.22)


def i2s(generator: Generator) -> Traffic:
    bit, said = 1e-6, []
    wires = {"clock": Wire(0), "word_select": Wire(1), "data": Wire(0)}
    row, side = "0", "1" * 16
    values = [int(value) for value in generator.integers(-(1 << 15), 1 << 15, 8)]
    for number, value in enumerate(values):
        row += f"{value & 0xFFFF:016b}"
        side += str(number % 2) * 16
    row = "0" * 16 + row  # the most significant bit comes one clock after the change of word select
    side += "0"
    for number, value in enumerate(values):
        start = (17 + 16 * number) * bit
        said.append(Said(start, start + 16 * bit, ("left" if number % 2 == 0 else "right", value)))
    clocked(generator, wires, "clock", {"word_select": side, "data": row}, bit)
    return Traffic("i2s", wires, said, bit, 40 * bit, samples=(8, 25), longest=0.22)


def parallel(generator: Generator) -> Traffic:
    bit, said = 1e-6, []
    names = [f"d{place}" for place in range(4)]
    wires = {"clock": Wire(0)} | {name: Wire(0) for name in names}
    words = [int(word) for word in generator.integers(0, 16, 30)]
    rows = {name: "".join(str(word >> place & 1) for word in words) for place, name in enumerate(names)}
    clocked(generator, wires, "clock", rows, bit)
    for each in wires.values():
        each.hold(0, 2 * bit)
    said = [Said((place + 0.5) * bit, (place + 0.5) * bit, word) for place, word in enumerate(words)]
    return Traffic("parallel", wires, said, bit, 3 * bit, samples=(16, 25), longest=0.1)


def i2c_bytes(wires: dict[str, Wire], sent: bytes, acks: str, bit: float, *, repeated: bool = False) -> None:
    """A START, bytes with their acknowledge bits, the clock low after (UM10204, 3.1)."""
    scl, sda = wires["scl"], wires["sda"]

    def both(clock: int, data: int, lasting: float) -> None:
        scl.hold(clock, lasting)
        sda.hold(data, lasting)

    if repeated:
        both(0, 1, bit / 2)
        both(1, 1, bit / 2)
    both(1, 0, bit / 2)
    both(0, 0, bit / 4)
    for value, answer in zip(sent, acks, strict=True):
        for sign in f"{value:08b}{answer}":
            both(0, int(sign), bit / 2)
            both(1, int(sign), bit / 2)
            both(0, int(sign), bit / 8)


def i2c_stop(wires: dict[str, Wire], bit: float, rest: float) -> None:
    for name, levels in (("scl", "011"), ("sda", "001")):
        for level, lasting in zip(levels, (bit / 2, bit / 2, rest), strict=True):
            wires[name].hold(int(level), lasting)


def i2c(generator: Generator) -> Traffic:
    bit, said, wires = 1e-5, [], {"scl": Wire(1), "sda": Wire(1)}
    for each in wires.values():
        each.hold(1, 6 * bit)
    for _ in range(3):
        address, data, parts = int(generator.integers(8, 0x78)), octets(generator, 1, 4), int(generator.random() < 0.3)
        for part in range(1 + parts):
            start, read = wires["scl"].now + part * bit, bool(part)
            acks = "0" * len(data) + ("1" if read else "0")
            i2c_bytes(wires, bytes([address << 1 | read]) + data, acks, bit, repeated=bool(part))
            said.append(Said(start, wires["scl"].now, (address, read, data)))
        i2c_stop(wires, bit, float(generator.uniform(1, 6)) * bit)
    for each in wires.values():
        each.hold(1, 3 * bit)
    # what goes on without a STOP is one transaction: a spike in it may be what parts it
    return Traffic("i2c", wires, said, bit, 60 * bit, samples=(16, 50), longest=0.2)


def smbus(generator: Generator) -> Traffic:
    bit, said, wires = 1e-5, [], {"scl": Wire(1), "sda": Wire(1)}
    for each in wires.values():
        each.hold(1, 6 * bit)
    for _ in range(3):
        address, data, start = int(generator.integers(8, 0x78)), octets(generator, 2, 4), wires["scl"].now
        sent = bytes([address << 1]) + data
        sent += bytes([checks.Crc8Smbus.calc(sent)])
        i2c_bytes(wires, sent, "0" * len(sent), bit)
        i2c_stop(wires, bit, float(generator.uniform(1, 6)) * bit)
        said.append(Said(start, wires["scl"].now, (address, data[0], data[1:])))
    for each in wires.values():
        each.hold(1, 3 * bit)
    options = {"then": "smbus", "pec": True}
    return Traffic("i2c", wires, said, bit, 4 * bit, options, samples=(16, 50), longest=0.2)


SENDERS: dict[str, Callable[[Generator], Traffic]] = {
    each.__name__: each
    for each in (uart, modbus, can, can_fd, lin, i2c, smbus, spi, onewire, i2s, parallel, manchester)
}
