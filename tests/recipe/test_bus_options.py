"""Every option of every bus can be written in a recipe, and a value that a bus refuses is refused before a run."""

from __future__ import annotations

import pytest

from wavewright.buses.catalogue import BUSES, buses, layers
from wavewright.errors import FileFault, Misuse
from wavewright.recipe.decoded_line import Decoding
from wavewright.recipe.load import parse_recipe

HEAD = "wavewright: 1\ntitle: Buses\nmeasurements:\n"
WRITTEN = [
    "bus: uart, tx: a, baud: 9600, data_bits: 9, parity: mark, stop_bits: 1.5, inverted: true, bit_order: msb",
    "bus: uart, tx: a, baud: 19200 Bd, stop_bits: 2, levels: rs232",
    "bus: uart, tx: a, baud: auto, then: modbus_rtu, silence: 3 ms",
    "bus: uart, tx: a, baud: 4800, then: nmea, checksum: false",
    "bus: i2c, scl: a, sda: b, mode: fast_plus, longest_low: 25 ms, supply: 3.3 V, then: smbus, pec: true",
    "bus: i2c, scl: a, sda: b, then: smbus, edition: 3",
    "bus: i2c, scl: a, sda: b, then: i2c_memory, register_bytes: 2, levels: {scl: ttl, sda: i2c 5 V}",
    "bus: spi, clock: a, mosi: b, miso: c, select: d, mode: 3, word_bits: 12, bit_order: lsb, select_active: high",
    "bus: spi, clock: a, miso: c, gap: 5 us, levels: [0.8 V, 2 V]",
    "bus: can, line: a, bit_rate: 500 kbit/s, data_bit_rate: 2 MBd, sample_point: 87.5 %, data_sample_point: 75 %",
    "bus: can, high: a, low: b, bit_rate: auto, sample_point: 0.8",
    "bus: lin, line: a, baud: 19200, checksum: classic, levels: lin 12 V",
    "bus: onewire, line: a, levels: 0.8 V / 2.0 V",
    "bus: i2s, clock: a, word_select: b, data: c, word_bits: 24, alignment: left, left_is: high",
    "bus: parallel, clock: a, d0: b, d15: c, edge: either",
    "bus: manchester, line: a, bit_rate: 1 MBd, convention: inverted, bit_order: lsb",
]


def read(text: str) -> Decoding:
    channels = ", ".join(f"{name}: {{input: {number}, range: 8 V}}" for number, name in enumerate("abcd", 1))
    measurement = f"  m:\n    channels: {{{channels}}}\n    timebase: {{span: 1 ms, rate: 1 MHz}}\n"
    trigger = "    trigger: {on: a, level: 0 V}\n"
    recipe = parse_recipe(f"{HEAD}{measurement}{trigger}    decode: {{line: {{{text}}}}}\n", "recipe.yaml")
    return recipe.measurements[0].decode["line"]


@pytest.mark.parametrize("text", WRITTEN)
def test_the_options_of_a_bus_are_read(text: str) -> None:
    decoding = read(text)
    assert f"bus: {decoding.bus}," in text
    keys = {pair.split(":")[0].strip() for pair in text.split(", ") if ":" in pair}
    assert set(decoding.options) <= keys


def test_every_option_and_every_set_of_lines_is_written_above() -> None:
    for name, bus in buses().items():
        if not bus.decode.__module__.startswith("wavewright."):
            continue
        of_bus = [text for text in WRITTEN if f"bus: {name}," in text]
        for option in bus.parameters:
            assert any(f" {option.name}: " in text for text in of_bus), (name, option.name)
        assert any(all(f" {line}: " in text for line in bus.channels[-1] if line[-1] != "?") for text in of_bus), name
    for name, layer in layers().items():
        if layer.decode.__module__.startswith("wavewright."):
            for option in layer.parameters:
                assert any(f"then: {name}, {option.name}: " in text for text in WRITTEN), (name, option.name)


@pytest.mark.parametrize(
    "text, wrong, right",
    [
        ("bus: uart, tx: a, bit_rate: 9600", "bit_rate", "write `baud`"),
        ("bus: lin, line: a, bit_rate: 19200", "bit_rate", "write `baud`"),
        ("bus: can, line: a, baud: 500000", "baud", "write `bit_rate`"),
        ("bus: manchester, line: a, baud: 1 MBd", "baud", "write `bit_rate`"),
        ("bus: i2c, scl: a, sda: b, baud: 100000", "baud", "leave `baud` out"),
        ("bus: spi, clock: a, mosi: b, bit_rate: 1 Mbit/s", "bit_rate", "leave `bit_rate` out"),
    ],
)
def test_a_bus_names_the_word_that_it_has_for_its_rate(text: str, wrong: str, right: str) -> None:
    with pytest.raises(FileFault) as refused:
        read(text)
    message = str(refused.value)
    column = 1 + f"    decode: {{line: {{{text}".index(f"{wrong}:")
    assert message.startswith(f"recipe.yaml:8:{column}: unknown key `{wrong}`")
    assert right in message
    # from Python, with the same advice
    options = {"baud": 9600.0} if wrong == "baud" else {"bit_rate": 9600.0}
    with pytest.raises(Misuse, match=right):
        BUSES.find(text.split(",", maxsplit=1)[0].removeprefix("bus: ")).options(options)


def test_a_bit_rate_is_written_in_bits_per_second_or_in_baud() -> None:
    # definition: a line with two levels has one bit per symbol
    can = BUSES.find("can")
    rates = [can.options({"bit_rate": text})["bit_rate"] for text in ("500 kbit/s", "500 kBd", "500000", 5e5)]
    assert rates == [5e5] * 4


@pytest.mark.parametrize(
    "text, what, expected",
    [
        ("bus: uart, tx: a, data_bits: 12", "`data_bits` is `12`", "5 .. 9"),
        ("bus: uart, tx: a, stop_bits: 3", "`stop_bits` is `3`", "1, 1.5 or 2"),
        ("bus: spi, clock: a, mosi: b, mode: 4", "`mode` is `4`", "0, 1, 2 or 3"),
        ("bus: spi, clock: a, mosi: b, word_bits: 33", "`word_bits` is `33`", "4 .. 32"),
        ("bus: spi, clock: a, select: d", "neither `mosi` nor `miso`", "at least one of them"),
        ("bus: i2s, clock: a, word_select: b, data: c, word_bits: 40", "`word_bits` is `40`", "2 .. 32"),
        ("bus: manchester, line: a, convention: thomas", "`convention` is `thomas`", "one of ieee, inverted"),
        ("bus: parallel, clock: a", "no data line", "`d0` … `d15`"),
        ("bus: i2c, scl: a, sda: b, then: i2c_memory, register_bytes: 9", "`register_bytes` is `9`", "1 .. 4"),
    ],
)
def test_a_value_that_the_bus_refuses_is_refused_with_its_place(text: str, what: str, expected: str) -> None:
    with pytest.raises(FileFault) as refused:
        read(text)
    message = str(refused.value)
    assert message.startswith("recipe.yaml:")
    assert what in message.splitlines()[0]
    assert expected in message.splitlines()[1]
