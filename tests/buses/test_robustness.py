"""What every bus bears: records that begin and end anywhere, bursts of noise, few samples, a clock that is off.

The law is the same for all: whatever was done to the record, a frame that is called clean is one that was sent.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest
from crccheck.crc import Crc8Smbus
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.encoders.clocked import clocked_lines, i2s_bits
from tests.encoders.impairments import cropped
from tests.encoders.onewire import onewire_line
from tests.encoders.sent import text_bytes
from wavewright.buses.decode import decode
from wavewright.buses.frame import Frame
from wavewright.buses.frames import Frames
from wavewright.buses.lin import protected_identifier
from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.bits import line_of_bits
from wavewright.simulation.encoders.can import CanMessage, can_line
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import Transfer, i2c_lines
from wavewright.simulation.encoders.impairments import off_rate
from wavewright.simulation.encoders.lin import LinMessage, lin_line
from wavewright.simulation.encoders.modbus import message, modbus_line
from wavewright.simulation.encoders.spi import spi_lines
from wavewright.simulation.encoders.uart import uart_line
from wavewright.waveform import Waveform

LOW, HIGH = 0.8, 2.0  # V, thresholds of LVCMOS at 3.3 V (JEDEC JESD8C.01)


@dataclass(frozen=True)
class Spoken:
    """What was said on a bus: its lines, what each frame says, and how long a bit lasts, s.

    `fewest` : samples per bit below which nothing need be read, though nothing may be read wrongly.
    """

    bus: str
    lines: Mapping[str, Line]
    said: Sequence[Any]
    bit: float
    says: Callable[[Frame], Any]
    options: Mapping[str, object] = field(default_factory=dict)
    fewest: float = 8.0

    def decoded(self, *, samples: float = 20.0, **drawn: object) -> Frames:
        """Drawn with so many samples per bit."""
        waves = {name: draw(line, rate=samples / self.bit, **drawn) for name, line in self.lines.items()}
        return self.of(waves)

    def of(self, waves: Mapping[str, Waveform]) -> Frames:
        return decode(waves, self.bus, levels=(LOW, HIGH), **self.options)

    def changed(self, change: Callable[[Line], Line]) -> Spoken:
        """The same with every line changed."""
        return replace(self, lines={name: change(line) for name, line in self.lines.items()})

    def clean(self, frames: Frames) -> list[Any]:
        return [self.says(frame) for frame in frames if frame.is_clean]


def uart() -> Spoken:
    text = b"\x48\x00\xa5\xff\x31"
    line = uart_line(text, baud=1.0, parity="even", lead=25, tail=25, pauses=[0, 14, 0, 14, 0])
    return Spoken("uart", {"tx": line}, list(text), 1.0, lambda frame: frame["data"], {"baud": 1.0, "parity": "even"})


def modbus() -> Spoken:
    sent = [message(17, 3, b"\x00\x00\x00\x02"), message(17, 3, b"\x04\x00\xf0\x01\x2c"), message(1, 0x81, b"\x02")]
    line = modbus_line(sent, baud=19200, silence=5.0, lead=4e-3, tail=4e-3)
    options = {"baud": 19200.0, "parity": "even", "then": "modbus_rtu"}
    return Spoken("uart", {"tx": line}, [(one[1], one[2:-2]) for one in sent], 1 / 19200,
                  lambda frame: (frame["function"], frame["data"]), options)  # fmt: skip


def nmea() -> Spoken:
    sent = ["$PTEST,1,2,3*5A", "$GPGLL,5300.97914,N,00259.98174,E,125926,A*28"]
    line = uart_line(text_bytes(*(text + "\r\n" for text in sent)), baud=4800, lead=8e-3, tail=8e-3)
    return Spoken("uart", {"tx": line}, sent, 1 / 4800, lambda frame: frame["text"], {"baud": 4800.0, "then": "nmea"})


TRANSFERS = [Transfer(b"\x90\x01\x60"), Transfer(b"\x92\xff\x00\x55"), Transfer(b"\xf4\xa5\x10", stretched={9: 4e-5})]


def i2c() -> Spoken:
    lines = dict(zip(("scl", "sda"), i2c_lines(TRANSFERS, lead=3e-5, tail=3e-5, idle=6e-5), strict=True))
    said = [(0x48, b"\x01\x60"), (0x49, b"\xff\x00\x55"), (0x2A5, b"\x10")]
    return Spoken("i2c", lines, said, 1e-5, lambda frame: (frame["address"], frame["data"]))


def smbus() -> Spoken:
    sent = [transfer.sent + bytes([Crc8Smbus.calc(transfer.sent)]) for transfer in TRANSFERS]
    lines = i2c_lines([Transfer(raw) for raw in sent], lead=3e-5, tail=3e-5, idle=6e-5)
    said = [(0x48, 0x01, b"\x60"), (0x49, 0xFF, b"\x00\x55"), (0x2A5, 0x10, b"")]
    return Spoken("i2c", dict(zip(("scl", "sda"), lines, strict=True)), said, 1e-5,
                  lambda frame: (frame["address"], frame["command"], frame["data"]),
                  {"then": "smbus", "pec": True})  # fmt: skip


def spi() -> Spoken:
    pairs = [[(0x9F, 0x12), (0x35, 0xA5)], [(0x01, 0xFE)], [(0xAA, 0x55), (0x00, 0xFF)]]
    lines = spi_lines(pairs, bit_rate=1e6, pause=8e-6, lead=5e-6, tail=5e-6)
    named = {name: getattr(lines, name) for name in ("clock", "mosi", "miso", "select")}
    said = [pair for words in pairs for pair in words]
    return Spoken("spi", named, said, 1e-6, lambda frame: (frame["mosi"], frame["miso"]))


def spi_without_select() -> Spoken:
    one = spi()
    return replace(one, lines={name: one.lines[name] for name in ("clock", "mosi")}, options={"gap": 5e-6},
                   said=[mosi for mosi, _ in one.said], says=lambda frame: frame["mosi"])  # fmt: skip


def can() -> Spoken:
    sent = [CanMessage(0x123, b"He"), CanMessage(0x014, b"\x01"), CanMessage(0x12345678, b"\xde\xad", extended=True)]
    line = can_line(sent, bit_rate=5e5, idle=12, lead_bits=20, tail_bits=20)
    return Spoken("can", {"line": line}, [(one.identifier, one.data) for one in sent], 2e-6,
                  lambda frame: (frame["identifier"], frame["data"]), {"bit_rate": 5e5})  # fmt: skip


def can_fd() -> Spoken:
    sent = [CanMessage(0x123, bytes(range(12)), flexible=True, fast=True), CanMessage(0x321, b"abc", flexible=True)]
    line = can_line(sent, bit_rate=5e5, data_bit_rate=2e6, idle=12, lead_bits=20, tail_bits=20)
    return Spoken("can", {"line": line}, [(one.identifier, one.data) for one in sent], 0.5e-6,
                  lambda frame: (frame["identifier"], frame["data"]),
                  {"bit_rate": 5e5, "data_bit_rate": 2e6})  # fmt: skip


def lin() -> Spoken:
    raw = [
        bytes([protected_identifier(0x11)]) + bytes.fromhex("4A 55 93 E5 E6"),
        b"\x50" + bytes.fromhex("4A 55 93 E5 96"),
    ]
    line = lin_line([LinMessage(one) for one in raw], baud=19200, idle=30, lead=30)
    return Spoken("lin", {"line": line}, [one[1:] for one in raw], 1 / 19200,
                  lambda frame: frame["data"] + bytes([frame["checksum"]]), {"baud": 19200.0})  # fmt: skip


def onewire() -> Spoken:
    sent = [bytes.fromhex("33 02 1C B8 01 00 00 00 A2"), b"\xcc\x44", b"\xcc\xbe\x50\x05"]
    # a slot of 80 us; what a bit is here is the 6 us of a written 1
    return Spoken("onewire", {"line": onewire_line(sent)}, sent, 6e-6, lambda frame: frame["data"], fewest=4.0)


def i2s() -> Spoken:
    said = [(-32767, 32766), (4660, -4660), (1, -2)]
    clock, rows = clocked_lines(list(i2s_bits(said)), bit_rate=1e6, lead=5e-6)
    lines = dict(zip(("clock", "word_select", "data"), (clock, *rows), strict=True))
    return Spoken("i2s", lines, [each for pair in said for each in pair], 1e-6, lambda frame: frame["sample"])


def parallel() -> Spoken:
    words = [0x3, 0x0, 0xF, 0x5, 0xA, 0x1, 0x8]
    clock, rows = clocked_lines([[word >> place & 1 for word in words] for place in range(4)], bit_rate=1e6, lead=5e-6)
    lines = {"clock": clock} | {f"d{place}": row for place, row in enumerate(rows)}
    return Spoken("parallel", lines, words, 1e-6, lambda frame: frame["data"])


def manchester() -> Spoken:
    sent = [b"\xa5\x0f", b"\xa5\x33\x00"]
    row = [0] * 20
    for data in sent:
        row += [
            *(half for bit in np.unpackbits(np.frombuffer(data, dtype=np.uint8)) for half in (1 - int(bit), int(bit))),
            *[0] * 20,
        ]
    line = line_of_bits(row, bit_time=0.5e-6)
    return Spoken("manchester", {"line": line}, sent, 1e-6, lambda frame: frame["data"], {"bit_rate": 1e6})


BUSES = [uart, modbus, nmea, i2c, smbus, spi, spi_without_select, can, can_fd, lin, onewire, i2s, parallel, manchester]
# Where nothing in a frame says that it is whole, a part of it is a frame: these are cut off without a mark by nature.
WITHOUT_BOUNDS = (manchester,)
# Where nothing in a frame depends on the level at rest, data that are upside down are data.
WITHOUT_A_LEVEL_OF_REST = (spi_without_select, i2s, parallel, manchester)
GUARDED = (modbus, nmea, smbus, can, can_fd, lin)  # each frame holds a check of itself
every_bus = pytest.mark.parametrize("spoken", BUSES, ids=[one.__name__ for one in BUSES])


@every_bus
def test_what_was_said_is_read_from_a_good_record(spoken: Callable[[], Spoken]) -> None:
    one = spoken()
    frames = one.decoded()
    assert one.clean(frames)[: len(one.said)] == list(one.said)


@every_bus
@settings(max_examples=25)
@given(ends=st.tuples(st.floats(0, 1), st.floats(0, 1)), phase=st.floats(0, 0.99))
def test_a_record_that_begins_and_ends_anywhere_invents_nothing(
    spoken: Callable[[], Spoken], ends: tuple[float, float], phase: float
) -> None:
    one = spoken()
    line = next(iter(one.lines.values()))
    first, last = (line.start + share * (line.end - line.start) for share in sorted(ends))
    if last - first < 4 * one.bit:
        return
    frames = one.changed(lambda each: cropped(each, first, last)).decoded(phase=phase)
    for frame in frames:
        assert first - 2 * one.bit <= frame.start <= frame.end <= last + 2 * one.bit
    if spoken not in WITHOUT_BOUNDS:
        assert_all_sent(one, frames)


@every_bus
@pytest.mark.parametrize("seed", range(12))
def test_a_burst_of_noise_harms_only_what_it_touches(spoken: Callable[[], Spoken], seed: int) -> None:
    # given noise over a stretch of the record, on all lines
    one, generator = spoken(), np.random.default_rng(seed)
    waves = {name: draw(line, rate=20 / one.bit, bits=None) for name, line in one.lines.items()}
    count = min(len(wave) for wave in waves.values())
    length = min(200, count // 4)
    begin = int(generator.integers(0, count - length))
    for name, wave in waves.items():
        volts = wave.values()
        volts[begin : begin + length] = generator.normal(1.65, 1.2, length)
        waves[name] = Waveform.from_volts(volts, interval=wave.interval, start=wave.start)
    at = next(iter(waves.values()))
    hurt = (at.time_of(begin) - 12 * one.bit, at.time_of(begin + length) + 12 * one.bit)
    frames = one.of(waves)
    # then what is clean and does not touch it was sent
    apart = [frame for frame in frames if frame.is_clean and (frame.end < hurt[0] or frame.start > hurt[1])]
    assert set(map(one.says, apart)) <= set(one.said)
    if spoken in GUARDED:  # and even what touches it is right, or marked
        assert_all_sent(one, frames)


@every_bus
@pytest.mark.parametrize("error", [-0.03, 0.03])
def test_a_clock_that_is_off_by_three_per_cent_is_read_or_marked(spoken: Callable[[], Spoken], error: float) -> None:
    one = spoken().changed(lambda line: off_rate(line, error))
    assert_all_sent(one, one.decoded())


@every_bus
@pytest.mark.parametrize("samples", [8, 7, 6, 5, 4, 3.5, 3])
def test_few_samples_a_bit_are_read_right_or_marked(spoken: Callable[[], Spoken], samples: float) -> None:
    one = spoken()
    for phase in (0.0, 0.31, 0.77):
        frames = one.decoded(samples=samples, phase=phase)
        assert_all_sent(one, frames)
        if samples >= one.fewest:
            assert one.clean(frames)[: len(one.said)] == list(one.said)


@every_bus
def test_lines_that_rest_at_the_other_level_say_nothing_that_was_not_sent(spoken: Callable[[], Spoken]) -> None:
    one = spoken()
    if spoken not in WITHOUT_A_LEVEL_OF_REST:
        assert_all_sent(one, one.changed(Line.inverted).decoded())
    for level in (False, True):
        still = one.changed(lambda line, level=level: Line(level, np.empty(0), line.start, line.end))  # type: ignore[misc]
        assert one.clean(still.decoded()) == []


def assert_all_sent(one: Spoken, frames: Frames) -> None:
    """Every clean frame was sent, and none more often than it was."""
    left = list(one.said)
    for said in one.clean(frames):
        assert said in left, f"{said!r} is called clean, and was not sent"
        left.remove(said)
