"""A line of a bus that says given words again and again."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import ClassVar, Literal

from pydantic import Field

from wavewright.buses.lin import protected_identifier
from wavewright.buses.line.checksums import carry_sum
from wavewright.errors import Misuse
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.quantity_fields import Baud, BitRate, Farads, Ohms, Seconds, Volts
from wavewright.grammar.word_fields import LocatedText
from wavewright.simulation.circuit.bus_lines import BusLine
from wavewright.simulation.circuit.conversations import Conversation, Lines
from wavewright.simulation.circuit.drivers import AlwaysUp, power_of
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.encoders.can import CanMessage, can_line
from wavewright.simulation.encoders.i2c import i2c_lines, read_transfer, write_transfer
from wavewright.simulation.encoders.lin import LinMessage, lin_line
from wavewright.simulation.encoders.spi import spi_lines
from wavewright.simulation.encoders.uart import uart_line

HEX = re.compile(r"^(0x)?[0-9A-Fa-f]{2}$")


class SpokenBus(StrEnum):
    """Buses whose words can be given."""

    UART = "uart"
    I2C = "i2c"
    SPI = "spi"
    CAN = "can"
    LIN = "lin"


class BusWordsEntry(NodeEntry):
    """What is said on a line of a bus, word for word."""

    bus: SpokenBus = Field(description="uart, i2c, spi, can or lin", examples=["uart"])
    signal: LocatedText = Field(
        description="which line of the bus this is: tx; scl, sda; clock, mosi, miso, select; bus; line", examples=["tx"]
    )
    words: tuple[LocatedText, ...] = Field(
        description="what is said, one after another: text for uart, or bytes as `hex 48 69`; `0x2D write 31` and "
        "`0x2D read 16 5F` for i2c; `A5 00 / 00 2B` (mosi / miso) for spi; `0x2A4 38 03` for can; `0x12 01 02` for lin",
        examples=[["T=23.5 C\\r\\n"]],
    )
    every: Seconds = Field(description="time from one beginning to the next", examples=["100 ms"])
    pause: Seconds = Field(default=0.0, description="between two words of uart", examples=["5 ms"])
    baud: Baud | None = Field(
        default=None, description="of uart (9600 if left out) and lin (19200)", examples=["115200"]
    )
    bit_rate: BitRate | None = Field(
        default=None, description="of i2c (100 kbit/s if left out), spi (1 Mbit/s) and can (500 kbit/s)"
    )
    parity: Literal["none", "even", "odd"] = Field(default="none", description="of uart", examples=["even"])
    mode: Literal["0", "1", "2", "3"] = Field(default="0", description="of spi: 0 … 3", examples=["0"])
    inverted: bool = Field(default=False, description="the line idles at its low level", examples=[False])
    fed_by: LocatedText | None = Field(
        default=None,
        description="the feed or rail without which nothing is said; always powered if left out",
        examples=["rail"],
    )
    low: Volts = Field(default=0.0, description="voltage of the low level", examples=["0 V"])
    high: Volts = Field(default=3.3, description="voltage of the high level", examples=["3.3 V"])
    rise_resistance: Ohms = Field(default=100.0, description="that charges the line: pull-up, or driver")
    fall_resistance: Ohms | None = Field(
        default=None, description="that discharges the line; the same as rising if left out"
    )
    capacitance: Farads = Field(default=30e-12, description="of the line, without a probe")


@node_kind("bus_words")
class BusWords(BusLine):
    """A line of a bus that says given words again and again. Nodes with the same bus and words are lines of one bus."""

    entry: ClassVar[type[NodeEntry]] = BusWordsEntry

    def __init__(self, making: NodeContext[BusWordsEntry]) -> None:
        entry = making.entry
        self._rail = AlwaysUp() if entry.fed_by is None else power_of(making)
        lines = SPEAKING[entry.bus](entry)
        self._signal = str(entry.signal)
        if self._signal not in lines:
            where = place_of(entry.signal) or ""
            raise Misuse(f"`signal: {self._signal}`", where=where, expected=f"one of {', '.join(lines)}")
        if entry.inverted:
            lines = {name: line.inverted() for name, line in lines.items()}
        self.conversation = Conversation(lambda generator, is_wrong: lines, entry.every, 0, 0)
        self._rate_error, self._jitter, self._skew, self._seed = 0.0, 0.0, 0.0, (0, 0)
        self._low, self._high, self._capacitance = entry.low, entry.high, entry.capacitance
        self._rise = entry.rise_resistance
        self._fall = self._rise if entry.fall_resistance is None else entry.fall_resistance
        self._lasts = max(line.end for line in lines.values())
        if self._lasts >= entry.every:
            raise Misuse(f"the words last {self._lasts:g} s", expected="`every` above that")


def _bytes(word: str, *, what: str) -> bytes:
    parts = word.split()
    if not parts or not all(HEX.match(part) for part in parts):
        raise Misuse(f"`{word}`", where=place_of(word) or "", expected=f"{what}, bytes as two hexadecimal digits each")
    return bytes(int(part, 16) for part in parts)


def _uart(entry: BusWordsEntry) -> Lines:
    baud, data, pauses = entry.baud or 9600.0, list[int](), list[float]()
    for word in entry.words:
        said = _bytes(word[4:], what="`hex 48 69`") if word.startswith("hex ") else _text(word)
        data += said
        pauses += [0.0] * (len(said) - 1) + [entry.pause * baud]
    return {"tx": uart_line(data, baud=baud, parity=entry.parity, pauses=pauses)}


def _text(word: str) -> bytes:
    try:
        said = word.encode("latin-1").decode("unicode_escape").encode("latin-1")
    except UnicodeError as fault:
        raise Misuse(f"`{word}`", where=place_of(word) or "", expected="characters of one byte each") from fault
    if not said:
        raise Misuse("an empty word", where=place_of(word) or "", expected="text, or bytes as `hex 48 69`")
    return said


def _numbered(word: str, *, most: int, what: str) -> tuple[int, str]:
    """The number that a word begins with, and the rest."""
    head, _, rest = word.strip().partition(" ")
    try:
        number = int(head, 0)
    except ValueError:
        number = -1
    if not 0 <= number <= most:
        raise Misuse(f"`{word}`", where=place_of(word) or "", expected=f"{what}, from 0 to {most:#x}, then the data")
    return number, rest


def _i2c(entry: BusWordsEntry) -> Lines:
    transfers = []
    for word in entry.words:
        address, rest = _numbered(word, most=0x7F, what="an address")
        way, _, data = rest.partition(" ")
        if way not in ("read", "write"):
            raise Misuse(f"`{word}`", where=place_of(word) or "", expected="such as `0x2D write 31` or `0x2D read 16`")
        said = _bytes(data, what="`0x2D write 31`") if data.strip() else b""
        transfers.append(write_transfer(address, said) if way == "write" else read_transfer(address, said))
    scl, sda = i2c_lines(transfers, bit_rate=entry.bit_rate or 100e3)
    return {"scl": scl, "sda": sda}


def _spi(entry: BusWordsEntry) -> Lines:
    selections: list[list[tuple[int, int]]] = []
    for word in entry.words:
        first, slash, second = word.partition("/")
        mosi = _bytes(first, what="`A5 00 / 00 2B`")
        miso = _bytes(second, what="`A5 00 / 00 2B`") if slash else bytes(len(mosi))
        if len(miso) != len(mosi):
            raise Misuse(f"`{word}`", where=place_of(word) or "", expected="as many words of miso as of mosi")
        selections.append(list(zip(mosi, miso, strict=True)))
    lines = spi_lines(selections, bit_rate=entry.bit_rate or 1e6, mode=int(entry.mode))
    return {"clock": lines.clock, "mosi": lines.mosi, "miso": lines.miso, "select": lines.select}


def _can(entry: BusWordsEntry) -> Lines:
    messages = []
    for word in entry.words:
        identifier, rest = _numbered(word, most=0x1FFFFFFF, what="an identifier")
        data = _bytes(rest, what="`0x2A4 38 03`") if rest.strip() else b""
        if len(data) > 8:
            raise Misuse(f"`{word}` has {len(data)} bytes", where=place_of(word) or "", expected="at most 8")
        messages.append(CanMessage(identifier, data, extended=identifier > 0x7FF))
    return {"bus": can_line(messages, bit_rate=entry.bit_rate or 500e3, lead_bits=0)}


def _lin(entry: BusWordsEntry) -> Lines:
    messages = []
    for word in entry.words:
        identifier, rest = _numbered(word, most=0x3F, what="an identifier")
        data = _bytes(rest, what="`0x12 01 02`")
        if len(data) > 8:
            raise Misuse(f"`{word}` has {len(data)} bytes", where=place_of(word) or "", expected="at most 8")
        said = bytes([protected_identifier(identifier), *data])
        messages.append(LinMessage(said + bytes([carry_sum(said)])))
    return {"line": lin_line(messages, baud=entry.baud or 19200.0)}


SPEAKING: Mapping[SpokenBus, Callable[[BusWordsEntry], Lines]] = MappingProxyType(
    {SpokenBus.UART: _uart, SpokenBus.I2C: _i2c, SpokenBus.SPI: _spi, SpokenBus.CAN: _can, SpokenBus.LIN: _lin}
)
