"""Readings of a pile of files: one table, a row or a fault for every file, whoever computes."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.cli.conftest import Spoken
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.waveform import Waveform

Command = Callable[..., Spoken]


@pytest.fixture
def pile(tmp_path: Path) -> Path:
    """30 records whose peak to peak is their number in volts, one that is cut off, and a note that is no record."""
    folder = tmp_path / "shots" / "today"
    folder.mkdir(parents=True)
    for number in range(1, 31):
        codes = np.zeros(100, np.int16)
        codes[50] = 100 * number
        write_waveforms(
            folder / f"shot{number:02}.npz", {"rail": Waveform(codes, gain=0.01, interval=1e-6, name="rail")}
        )
    broken = folder / "shot31.npz"
    broken.write_bytes((folder / "shot30.npz").read_bytes()[:200])
    (folder / "note.md").write_text("the fan was on")
    return folder.parent


@pytest.mark.parametrize("words", [(), ("--jobs", 2)])
def test_a_folder_is_one_table_with_a_row_or_a_fault_per_file(
    wavewright: Command, pile: Path, tmp_path: Path, words: tuple[object, ...]
) -> None:
    for name in ("out.csv", "out.parquet"):
        told = wavewright("measure", pile, "--metric", "peak_to_peak", "--table", tmp_path / name, *words)
        assert told.status == 3
        assert told.stdout.splitlines()[-1] == "31 files: 30 read, 1 with a fault"
        assert "shot31.npz" in told.stdout
    with (tmp_path / "out.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [Path(row["file"]).name for row in rows] == [f"shot{number:02}.npz" for number in range(1, 32)]
    assert [float(row["value"]) for row in rows[:-1]] == pytest.approx(range(1, 31))
    assert rows[-1]["fault"]
    assert pd.read_parquet(tmp_path / "out.parquet")["value"][:30].tolist() == pytest.approx(range(1, 31))


def test_patterns_and_names_go_together_and_a_file_that_is_missing_is_not_silent(
    wavewright: Command, pile: Path
) -> None:
    told = wavewright(
        "measure",
        pile / "today/shot0[1-3].npz",
        pile / "today/shot02.npz",
        pile / "gone.npz",
        "-m",
        "maximum",
        "--json",
    )
    assert told.status == 3
    assert [Path(one["file"]).name for one in told.json] == ["shot01.npz", "shot02.npz", "shot03.npz", "gone.npz"]
    assert told.json[1]["readings"]["maximum"]["value"] == pytest.approx(2)
    assert "cannot be read" in told.json[3]["fault"]


def test_a_limit_judges_each_file(wavewright: Command, pile: Path) -> None:
    good = wavewright("measure", pile / "today/shot0*.npz", "-m", "maximum", "--limit", "at most 40 V")
    assert good.stdout.splitlines()[-1] == "9 files: 9 read, 0 with a fault"
    one_bad = wavewright("measure", pile / "today/shot0*.npz", "-m", "maximum", "--limit", "at most 8.5 V")
    assert "fail" in one_bad.stdout
    assert one_bad.status == 1


def test_a_file_that_has_changed_is_measured_again(wavewright: Command, pile: Path, tmp_path: Path) -> None:
    book = tmp_path / "line.sqlite"
    words = ("measure", pile / "today/shot0*.npz", "-m", "maximum", "--table", "logbook", "--logbook", book)
    assert "already" not in wavewright(*words).stderr
    write_waveforms(pile / "today/shot02.npz", {"rail": Waveform(np.arange(70.0), interval=1e-6, name="rail")})
    told = wavewright(*words, "--json")
    assert [one["readings"]["maximum"]["value"] for one in told.json] == pytest.approx([1, 69, *range(3, 10)])


def test_what_makes_no_sense_of_many_files_is_refused(wavewright: Command, pile: Path) -> None:
    assert wavewright("measure", pile, "-m", "maximum", "--each").status == 64
    assert wavewright("measure", pile, "-m", "maximal").status == 64
    for words, why in (
        (("-m", "rise_time", "--lows", "20 %"), "unknown option `lows`"),
        (("-m", "rise_time", "--low", "20 bananas"), "20 bananas"),
        (("-m", "delay"), "`delay` got 1 waveforms"),
    ):
        told = wavewright("measure", pile, *words)
        assert (told.status, told.stdout, told.stderr.count(why)) == (64, "", 1)
    assert "no file of waveforms" in wavewright("measure", pile / "*.wav", "-m", "maximum").stderr
