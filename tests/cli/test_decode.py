"""`wavewright decode`."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Spoken
from wavewright.buses.frame import ERRORS
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import i2c_lines, write_transfer
from wavewright.waveform import Waveform

Command = Callable[..., Spoken]


@pytest.fixture
def line(tmp_path: Path) -> Path:
    """`OK` at 9600 8N1: start bit 0, eight data bits from the least significant, stop bit 1 (TIA-232, memory)."""
    bits = [1] * 20
    for character in b"OK":
        bits += [0, *(character >> place & 1 for place in range(8)), 1]
    volts = 3.3 * np.repeat([*bits, *([1] * 20)], 10)
    path = tmp_path / "line.npz"
    write_waveforms(path, {"tx": Waveform.from_volts(volts, interval=1 / 96_000)})
    return path


def test_characters_of_a_line_are_decoded(line: Path, wavewright: Command) -> None:
    told = wavewright("decode", line, "--bus", "uart", "--tx", "1", "--baud", "9600", "--json")
    assert told.status == 0
    assert bytes(frame["fields"]["data"] for frame in told.json) == b"OK"


def test_frames_as_csv_have_times_in_seconds(line: Path, wavewright: Command) -> None:
    told = wavewright("decode", line, "--bus", "uart", "--tx", "tx", "--baud", "9600", "--csv", "--base", "text")
    rows = list(csv.DictReader(io.StringIO(told.stdout)))
    assert [row["data"] for row in rows] == ["O", "K"]
    assert float(rows[0]["start_s"]) == pytest.approx(20 / 9600, abs=2e-5)


def test_frames_can_be_searched(line: Path, wavewright: Command) -> None:
    told = wavewright("decode", line, "--bus", "uart", "--tx", "1", "--baud", "9600", "--find", "data = 0x4B", "--json")
    assert [frame["fields"]["data"] for frame in told.json] == [0x4B]


def test_the_table_shows_data_in_the_chosen_base(line: Path, wavewright: Command) -> None:
    told = wavewright("decode", line, "--bus", "uart", "--tx", "1", "--baud", "9600")
    assert " 0x4F " in told.stdout
    assert " 0x4B " in told.stdout


@pytest.mark.parametrize("base, shown", [("hex", "0x4F"), ("decimal", "79"), ("binary", "1001111"), ("text", "O")])
def test_data_are_shown_in_each_base(base: str, shown: str, line: Path, wavewright: Command) -> None:
    # 0x4F is `O` (ISO 646)
    told = wavewright("decode", line, "--bus", "uart", "--tx", "1", "--baud", "9600", "--csv", "--base", base)
    assert next(csv.DictReader(io.StringIO(told.stdout)))["data"] == shown


def test_a_frame_with_an_error_exits_1(line: Path, wavewright: Command) -> None:
    told = wavewright("decode", line, "--bus", "uart", "--tx", "1", "--baud", "9600", "--parity", "even", "--json")
    assert told.status == 1
    assert any("parity" in frame["errors"] or "framing" in frame["errors"] for frame in told.json)


def test_frames_are_summed_up_with_the_meaning_of_each_error_that_occurs(line: Path, wavewright: Command) -> None:
    clean = wavewright("decode", line, "--bus", "uart", "--tx", "1", "--baud", "9600").stdout
    assert clean.splitlines()[-1] == "2 frames, none with errors"
    wrong = wavewright("decode", line, "--bus", "uart", "--tx", "1", "--baud", "9600", "--parity", "odd").stdout
    assert "with errors: " in wrong
    assert any(f"  {word}: {ERRORS[word]}" in wrong for word in ("parity", "framing"))


@pytest.mark.parametrize(
    "words, said",
    [
        (("--bus", "uartt", "--tx", "1"), "did you mean `uart`?"),
        (("--bus", "uart"), "`tx`"),
        (("--bus", "uart", "--tx", "1", "--buad", "9600"), "buad"),
        (("--bus", "uart", "--tx", "1", "--csv", "--json"), "one of the two"),
    ],
)
def test_a_bus_or_an_option_that_is_not_there_is_wrong_usage(
    words: tuple[str, ...], said: str, line: Path, wavewright: Command
) -> None:
    told = wavewright("decode", line, *words)
    assert told.status == 64
    assert said in told.stderr


@pytest.fixture
def sensor(tmp_path: Path) -> Path:
    return sensor_sampled(tmp_path, rate=20e6)


def sensor_sampled(folder: Path, *, rate: float) -> Path:
    """A register write on I2C at 100 kbit/s, SCL low for 5.5 us of 10 us."""
    lines = i2c_lines([write_transfer(0x48, b"\x01\x60")], lead=2e-5, tail=2e-5)
    waves = (draw(line, rate=rate, rise_time=0.4e-6) for line in lines)
    path = folder / "sensor.npz"
    write_waveforms(path, {name: replace(wave, name=name) for name, wave in zip(("scl", "sda"), waves, strict=True)})
    return path


def timed(mode: str, *words: str) -> tuple[str, ...]:
    lines = ("--scl", "scl", "--sda", "sda", "--levels", "i2c 3.3 V")
    return ("--bus", "i2c", *lines, "--mode", mode, "--timing", *words)


def test_the_timing_of_a_bus_stands_beside_the_published_limits(sensor: Path, wavewright: Command) -> None:
    # UM10204, table 10: tLOW at least 4.7 us in Standard-mode, tSU;DAT at least 250 ns
    told = wavewright("decode", sensor, *timed("standard", "--json"))
    rows = {row["name"]: row for row in told.json}
    assert rows["low_period"]["symbol"] == "tLOW"
    assert rows["low_period"]["least"] == 4.7e-6
    assert rows["low_period"]["reading"]["value"] == pytest.approx(5.5e-6 - 0.16e-6, abs=2e-8)
    assert rows["low_period"]["reading"]["at"] > 2e-5
    assert rows["data_setup_time"]["holds"] is True
    assert "holds" not in rows["start_setup_time"], "there is no repeated START"
    assert told.status == 0


@pytest.mark.parametrize("rate, verdict", [(100e6, "fail"), (20e6, "inconclusive")])
def test_an_edge_that_is_too_slow_for_the_mode_fails(
    rate: float, verdict: str, tmp_path: Path, wavewright: Command
) -> None:
    # 0.4 us from 0 % to 100 % are 160 ns from 30 % to 70 %; tr of Fast-mode Plus is at most 120 ns, which three
    # standard uncertainties of two edges in 50 ns each, 61 ns, leave open
    told = wavewright("decode", sensor_sampled(tmp_path, rate=rate), *timed("fast_plus"))
    assert told.status == 1  # fall times too are beyond
    (row,) = (line.split() for line in told.stdout.splitlines() if line.startswith("rise_time"))
    assert row[1] == "tr"
    assert f"at most 120 ns {verdict}" in " ".join(row)
    assert "tSU;STA: it does not occur in the record" in " ".join(told.stdout.split())


def test_timing_that_a_doubt_leaves_open_exits_2(tmp_path: Path, wavewright: Command) -> None:
    # 160 ns in samples of 125 ns: three standard uncertainties are 153 ns, and 300 ns are allowed
    told = wavewright("decode", sensor_sampled(tmp_path, rate=8e6), *timed("standard", "--json"))
    rows = {row["name"]: row for row in told.json}
    assert [name for name, row in rows.items() if row.get("holds") is False] == []
    assert "holds" not in rows["fall_time"]
    assert told.status == 2


def test_timing_as_csv_is_in_si_units(sensor: Path, wavewright: Command) -> None:
    rows = list(csv.DictReader(io.StringIO(wavewright("decode", sensor, *timed("fast", "--csv")).stdout)))
    (row,) = (row for row in rows if row["name"] == "high_period")
    assert (row["symbol"], row["unit"], row["least"], row["most"], row["holds"]) == ("tHIGH", "s", "6e-07", "", "True")
    assert float(row["value"]) == pytest.approx(4.5e-6 - 0.16e-6, abs=2e-8)


def test_timing_is_of_lines_and_not_of_frames(sensor: Path, line: Path, wavewright: Command) -> None:
    told = wavewright("decode", sensor, *timed("fast", "--find", "nack"))
    assert (told.status, "timing is of lines" in told.stderr) == (64, True)
    told = wavewright("decode", line, "--bus", "uart", "--tx", "1", "--timing")
    assert (told.status, "bus `uart` has no metrics over its lines" in told.stderr) == (64, True)
