"""`decode`, `look` and `density` over a pile: a row or a fault for every file, the same whoever computes."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from tests.archive.said_files import (
    BAUD,
    CUT_OFF,
    PER_BIT,
    STRETCHED,
    WRONG,
    codes,
    made_files,
    said,
)
from tests.cli.conftest import Spoken

Command = Callable[..., Spoken]
FILES = 10
LINE = ("--bus", "uart", "--tx", "tx", "--baud", str(BAUD))


@pytest.fixture(scope="module")
def pile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("line") / "shots"
    made_files(folder, FILES)
    return folder


def table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def test_each_frame_of_each_file_is_a_row(wavewright: Command, pile: Path, tmp_path: Path) -> None:
    one, many = tmp_path / "one.csv", tmp_path / "many.csv"
    told = wavewright("decode", pile, *LINE, "--base", "text", "--table", one)
    assert told.status == 3
    assert told.stdout.splitlines()[-1] == f"{FILES} files: {FILES - 1} read, 1 with a fault"
    assert wavewright("decode", pile / "unit*.npz", *LINE, "--base", "text", "--table", many, "--jobs", 2).status == 3
    assert many.read_bytes() == one.read_bytes()
    found: dict[str, str] = {}
    for row in table(one):
        assert row["bus"] == "uart" or row["fault"]
        found[Path(row["file"]).stem] = found.get(Path(row["file"]).stem, "") + row["data"]
    assert found == {f"unit{number:03}": "" if number == CUT_OFF else said(number) for number in range(FILES)}
    wrong = [row for row in table(one) if row["errors"]]
    assert {Path(row["file"]).stem for row in wrong} == {f"unit{WRONG:03}"}
    assert "framing" in wrong[0]["errors"]
    # the start bit of the first character: after 20 bits at rest
    assert float(table(one)[0]["start"]) == pytest.approx(20 / BAUD, abs=1 / BAUD / PER_BIT)
    assert [row["frame"] for row in table(one)[:7]] == list("1234567")


def test_what_is_searched_for_and_not_found_is_said_per_file(wavewright: Command, pile: Path) -> None:
    some = (pile / "unit00[0-2].npz", *LINE, "--find", "data = 0x32 and start < 10 ms", "--json")
    found, count = wavewright("decode", *some), len(said(0))
    assert [len(one["frames"]) for one in found.json] == [0, 0, 1]
    assert found.json[0]["reason"] == f"none of {count} frames matches the search"
    assert found.status == 0
    assert wavewright("decode", pile / f"unit{WRONG:03}.npz", pile / "unit000.npz", *LINE, "--json").status == 1


def test_what_makes_no_sense_of_many_records_is_refused_before_any_file(wavewright: Command, pile: Path) -> None:
    for words, why in (
        (("--timing",), "`--timing` of several files"),
        (("--csv",), "`--csv` of several files"),
        (("--then", "modbus"), "modbus_rtu"),
        (("--find", "addres = 1"), "addres"),
        (("--bauds", "9600"), "bauds"),
    ):
        told = wavewright("decode", pile, *LINE, *words)
        assert (told.status, told.stdout) == (64, ""), words
        assert why in told.stderr


def test_each_channel_is_a_row_that_says_in_what_it_is_unlike(wavewright: Command, pile: Path, tmp_path: Path) -> None:
    out = tmp_path / "look.parquet"
    told = wavewright("look", pile, "--table", out, "--jobs", 2)
    assert (told.status, told.stdout.splitlines()[-1]) == (3, f"{FILES} files: {FILES - 1} read, 1 with a fault")
    frame = pd.read_parquet(out)
    good = frame[frame["fault"].isna() | (frame["fault"] == "")]
    assert len(frame) == FILES
    assert len(good) == FILES - 1
    assert set(good["channel"]) == {"tx"}
    assert set(good["bus"]) == {"uart"}
    assert all("9600" in options for options in good["options"])
    assert good["high"].tolist() == pytest.approx([2.5] * (FILES - 1), abs=0.05)  # 1.5 V + 100 × 10 mV
    apart = good[good["unlike"] != ""]
    assert [Path(name).stem for name in apart["file"]] == [f"unit{STRETCHED:03}"]  # whose low is at −1.5 V
    assert [row.get("unlike", "") for row in wavewright("look", pile, "--json").json] == frame["unlike"].fillna(
        ""
    ).tolist()


def expected() -> Counter[tuple[int, int]]:
    """How many samples of all shots are at the time of each sample of the first and at each level, in 10 mV steps."""
    counts: Counter[tuple[int, int]] = Counter()
    for number in range(FILES):
        if number == CUT_OFF:
            continue
        wide = 2 if number == STRETCHED else 1
        for place, code in enumerate(codes(number, per_bit=PER_BIT // wide).tolist()):
            counts[wide * place, 50 + 2 * code if wide == 2 else 150 + code] += 1
    return counts


@pytest.mark.parametrize("words", [(), ("--jobs", 2)])
def test_the_cells_of_all_shots_are_added_up(
    wavewright: Command, pile: Path, tmp_path: Path, words: tuple[object, ...]
) -> None:
    samples = codes(0).size
    cells = ("--columns", samples, "--rows", 256)  # one column per sample, one row per code, of the first file
    out = tmp_path / "cells.csv"
    told = wavewright("density", pile, *cells, "--table", out, "--json", *words)
    assert told.status == 3
    plain = told.json
    truth = expected()
    assert (plain["shots"], plain["other_scale"]) == (FILES - 1, 1)
    assert plain["samples"] == sum(truth.values())
    assert [Path(one["file"]).stem for one in plain["faults"]] == [f"unit{CUT_OFF:03}"]
    rows = table(out)
    assert [row["what"] for row in rows[-2:]] == ["cell", "fault"]
    # the middle of a column is half a sample after its sample
    interval, found = 1 / BAUD / PER_BIT, Counter[tuple[int, int]]()
    for row in rows[:-1]:
        place, level = float(row["time"]) / interval - 0.5, float(row["level"]) / 0.01
        assert place == pytest.approx(round(place), abs=0.01)
        assert level == pytest.approx(round(level), abs=0.01)
        found[round(place), round(level)] += int(row["samples"])
    within = Counter[tuple[int, int]]()
    for (place, level), count in truth.items():
        if 150 - 128 <= level <= 150 + 127:  # what the converter of the first shows
            within[place, level] += count
    assert found == within
    assert plain["left_out"] == plain["samples"] - sum(within.values()) > 0


def test_a_shot_with_another_unit_or_on_no_cell_is_a_fault(wavewright: Command, pile: Path, tmp_path: Path) -> None:
    from wavewright.logbook.formats.catalogue import write_waveforms
    from wavewright.waveform import Waveform

    write_waveforms(tmp_path / "amperes.npz", {"tx": Waveform(codes(0), interval=1e-5, unit="A", name="tx")})
    write_waveforms(tmp_path / "far.npz", {"tx": Waveform(codes(0), interval=1e-5, offset=900.0, name="tx")})
    told = wavewright("density", pile / "unit000.npz", tmp_path / "amperes.npz", tmp_path / "far.npz", "--json")
    assert told.status == 3
    why = {Path(one["file"]).stem: one["fault"] for one in told.json["faults"]}
    assert "is in A" in why["amperes"]
    assert "none of its" in why["far"]
    assert (told.json["shots"], told.json["left_out"]) == (1, 0)


def test_rare_paths_and_the_band_are_those_of_the_shots_one_after_the_other(
    wavewright: Command, pile: Path, tmp_path: Path
) -> None:
    words = ("--rare", 6, "--around", pile / "unit000.npz", "--level", "50 mV", "--json", "--table")
    told = [wavewright("density", pile, *words, tmp_path / f"{jobs}.csv", "--jobs", jobs).json for jobs in (1, 2)]
    assert told[0] == told[1]
    assert (tmp_path / "1.csv").read_bytes() == (tmp_path / "2.csv").read_bytes()
    left = {Path(one["file"]).stem for one in told[0]["violations"]}
    assert left == {f"unit{number:03}" for number in range(1, FILES)} - {f"unit{CUT_OFF:03}"}
    assert f"unit{WRONG:03}" in {Path(one["file"]).stem for one in told[0]["rare"]}
    kinds: Any = Counter(row["what"] for row in table(tmp_path / "1.csv"))
    assert kinds["rare path"] == len(told[0]["rare"])
    assert kinds["outside the band"] == len(told[0]["violations"])


def test_a_table_of_a_pile_is_taken_up(wavewright: Command, pile: Path, tmp_path: Path) -> None:
    book = tmp_path / "line.sqlite"
    for command, words in (("decode", LINE), ("density", ())):
        asked = (command, pile, *words, "--table", "logbook", "--logbook", book)
        first, again = wavewright(*asked), wavewright(*asked)
        assert "already" not in first.stderr
        assert f"{FILES - 1} of {FILES} files are answered already" in again.stderr
        assert again.stdout == first.stdout
