"""`wavewright buses`: what can be decoded, and how frames are searched."""

from __future__ import annotations

import re
from collections.abc import Callable

from tests.cli.conftest import Spoken
from wavewright.buses.catalogue import buses, layers
from wavewright.buses.frame import ERRORS

Command = Callable[..., Spoken]


def test_every_bus_and_layer_is_listed(wavewright: Command) -> None:
    names = [one["name"] for one in wavewright("buses", "--json").json]
    assert names == [*buses(), *layers()]
    assert "modbus_rtu" in wavewright("buses").stdout


def test_a_bus_is_shown_with_its_options(wavewright: Command) -> None:
    told = wavewright("buses", "uart")
    assert told.stdout.startswith("uart (bus)\n")
    assert "Lines: tx." in told.stdout
    assert " parity " in told.stdout
    assert "Source: " in told.stdout
    assert wavewright("buses", "modbus_rtu").stdout.startswith("modbus_rtu (layer)\n")
    assert "A layer on uart." in wavewright("buses", "modbus_rtu").stdout


def test_a_bus_is_shown_with_what_can_be_measured_of_it(wavewright: Command) -> None:
    told = wavewright("buses", "i2c").stdout
    assert re.search(r"^ low_period +s +LOW period of the SCL clock", told, re.MULTILINE)
    assert re.search(r"^ frame_errors +a count ", told, re.MULTILINE)
    assert not re.search(r"^ setup_time ", told, re.MULTILINE), "that is one of SPI"
    assert "low_period" in wavewright("buses", "smbus", "--json").json["metrics"]
    assert "low_period" not in wavewright("buses", "uart", "--json").json["metrics"]


def test_a_metric_of_a_bus_is_shown_in_full(wavewright: Command) -> None:
    told = wavewright("buses", "bus_capacitance").stdout
    assert told.startswith("bus_capacitance (frame metric)\n")
    assert re.search(r"^ pull_up +a quantity in ohm, above 0 ohm +required", told, re.MULTILINE)
    assert wavewright("buses", "low_period", "--json").json["unit"] == "s"


def test_an_unknown_bus_is_wrong_usage(wavewright: Command) -> None:
    told = wavewright("buses", "uarts")
    assert told.status == 64
    assert "did you mean `uart`?" in told.stderr


def test_the_search_language_is_told(wavewright: Command) -> None:
    told = wavewright("buses", "--search")
    assert "address = 0x48 and nack" in told.stdout
    assert "id between 0x100 and 0x1FF" in told.stdout
    assert not any(mark in told.stdout for mark in ("`", "|--", "| FIELD")), "plain text, and no Markdown"


def test_every_error_word_is_told_with_its_meaning(wavewright: Command) -> None:
    assert wavewright("buses", "--errors", "--json").json == dict(ERRORS)
    told = wavewright("buses", "--errors").stdout
    assert all(word in told and meaning in told for word, meaning in ERRORS.items())
    of_can = wavewright("buses", "can", "--errors").stdout
    assert "error flag" in of_can
    assert "parity" not in of_can
