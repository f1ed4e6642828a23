"""What the board's buses say, time after time: a row of conversations, each drawn from the seed and its number."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Annotated

import numpy as np
from pydantic import Field

from wavewright.buses.line.logic import Line
from wavewright.grammar.quantity_fields import Baud, BitRate, Seconds
from wavewright.grammar.word_fields import CountFrom
from wavewright.simulation.circuit.edges import scattered
from wavewright.simulation.circuit.nodes import NodeEntry
from wavewright.simulation.encoders.can import CanMessage, can_line
from wavewright.simulation.encoders.i2c import i2c_lines, read_transfer, write_transfer
from wavewright.simulation.encoders.modbus import modbus_line, read_registers, registers_answer
from wavewright.simulation.encoders.spi import spi_lines

Lines = Mapping[str, Line]
UNIT, REGISTER, REGISTERS = 17, 0x006B, 2  # the controller's Modbus address, and what the master reads of it
SENSOR, SENSOR_REGISTER = 0x2D, 0x31
CAN_IDENTIFIER = 0x2A4


class Traffic(StrEnum):
    """What the buses of a board can say."""

    MODBUS = "modbus"
    I2C = "i2c"
    SPI = "spi"
    CAN = "can"


class ConversationEntry(NodeEntry):
    """What is said on a line of a bus, how often and how fast."""

    says: Traffic = Field(
        description="the traffic: a Modbus RTU request and answer, an I2C read, an SPI conversion, or a CAN frame"
    )
    every: Seconds = Field(description="time from one conversation to the next")
    wrong_every: Annotated[int, CountFrom(0)] = Field(
        default=0, description="one conversation in this number has a fault; 0: none", examples=[40]
    )
    baud: Baud | None = Field(default=None, description="of `modbus`: baud rate; 19200 if left out")
    answers_after: Seconds | None = Field(
        default=None, description="of `modbus`: pause between request and answer; 5 ms if left out"
    )
    bit_rate: BitRate | None = Field(
        default=None, description="of `i2c` (100 kbit/s if left out), `spi` (1 Mbit/s) and `can` (500 kbit/s)"
    )


class Conversation:
    """A kind of conversation that begins every so often.

    Parameters
    ----------
    every : s.
    wrong_every : one conversation in this number has a fault (0: none); which ones follows from the salt.
    salt : from the seed.
    """

    def __init__(
        self, speak: Callable[[np.random.Generator, bool], Lines], every: float, wrong_every: int, salt: int
    ) -> None:
        self._speak = speak
        self.every = every
        self._wrong_every = wrong_every
        self._salt = salt
        self._kept: dict[int, Lines] = {}

    def is_wrong(self, number: int) -> bool:
        """Whether a conversation is one with a fault."""
        if not self._wrong_every:
            return False
        mixed = scattered(np.array([number + self._salt], np.uint64))
        return int(mixed[0]) % self._wrong_every == 0

    def lines(self, number: int) -> Lines:
        """The lines of one conversation by name of the signal; time counts from its beginning."""
        if number not in self._kept:
            if len(self._kept) > 64:
                self._kept.clear()
            generator = np.random.default_rng([self._salt % (1 << 32), number])
            self._kept[number] = self._speak(generator, self.is_wrong(number))
        return self._kept[number]


def _modbus(entry: ConversationEntry) -> Callable[[np.random.Generator, bool], Lines]:
    baud = 19200.0 if entry.baud is None else entry.baud
    pause = 5e-3 if entry.answers_after is None else entry.answers_after

    def speak(generator: np.random.Generator, is_wrong: bool) -> Lines:
        """A master's request to unit 17 and the answer; a wrong one has a bit flipped after its CRC was computed."""
        values = generator.integers(200, 900, REGISTERS).tolist()
        answer = bytearray(registers_answer(UNIT, values))
        if is_wrong:
            answer[4] ^= 0x04
        silence = [pause * baud / 11, 4.0]
        request = read_registers(UNIT, REGISTER, REGISTERS)
        return {"tx": modbus_line([request, bytes(answer)], baud=baud, silence=silence)}

    return speak


def _i2c(entry: ConversationEntry) -> Callable[[np.random.Generator, bool], Lines]:
    bit_rate = 100e3 if entry.bit_rate is None else entry.bit_rate

    def speak(generator: np.random.Generator, is_wrong: bool) -> Lines:
        """The reading of the sensor: written, then two bytes read after a repeated START; wrong: nobody answers."""
        pointer = write_transfer(SENSOR, bytes([SENSOR_REGISTER]), stop=False)
        reading = int(generator.integers(0x1500, 0x1B00)).to_bytes(2, "big")
        transfers = [pointer, read_transfer(SENSOR, reading)]
        if is_wrong:
            transfers = [type(pointer)(bytes([SENSOR << 1]), [False])]
        scl, sda = i2c_lines(transfers, bit_rate=bit_rate)
        return {"scl": scl, "sda": sda}

    return speak


def _spi(entry: ConversationEntry) -> Callable[[np.random.Generator, bool], Lines]:
    bit_rate = 1e6 if entry.bit_rate is None else entry.bit_rate

    def speak(generator: np.random.Generator, is_wrong: bool) -> Lines:
        """A 12-bit conversion read in three words; wrong: the last word is cut short after three clocks."""
        code = int(generator.integers(0, 4096))
        words = [(0xA5, 0x00), (0x00, code >> 4), (0x00, (code & 0xF) << 4)]  # a framing of our own
        lines = spi_lines([words], bit_rate=bit_rate, clocks=3 if is_wrong else None)
        return {"clock": lines.clock, "mosi": lines.mosi, "miso": lines.miso, "select": lines.select}

    return speak


def _can(entry: ConversationEntry) -> Callable[[np.random.Generator, bool], Lines]:
    bit_rate = 500e3 if entry.bit_rate is None else entry.bit_rate

    def speak(generator: np.random.Generator, is_wrong: bool) -> Lines:
        """The valve's state, eight bytes; wrong: a bit is flipped after the CRC was computed."""
        data = generator.integers(0, 256, 8).astype(np.uint8).tobytes()
        message = CanMessage(CAN_IDENTIFIER, data, flipped=(30,) if is_wrong else ())
        return {"bus": can_line([message], bit_rate=bit_rate, lead_bits=0)}

    return speak


Speak = Callable[[np.random.Generator, bool], Lines]
SPEAKERS: Mapping[Traffic, Callable[[ConversationEntry], Speak]] = MappingProxyType(
    {Traffic.MODBUS: _modbus, Traffic.I2C: _i2c, Traffic.SPI: _spi, Traffic.CAN: _can}
)
# The keys that set each kind of conversation's pace; one that belongs to another kind would have no effect.
PACE_KEYS: Mapping[Traffic, tuple[str, ...]] = MappingProxyType(
    {Traffic.MODBUS: ("baud", "answers_after"), **dict.fromkeys((Traffic.I2C, Traffic.SPI, Traffic.CAN), ("bit_rate",))}
)
