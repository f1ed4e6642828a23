"""`wavewright decode`."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Spoken
from wavewright.logbook.formats.catalogue import write_waveforms
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
    assert " 4F " in told.stdout
    assert " 4B " in told.stdout


def test_a_frame_with_an_error_exits_1(line: Path, wavewright: Command) -> None:
    told = wavewright("decode", line, "--bus", "uart", "--tx", "1", "--baud", "9600", "--parity", "even", "--json")
    assert told.status == 1
    assert any("parity" in frame["errors"] or "framing" in frame["errors"] for frame in told.json)


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
