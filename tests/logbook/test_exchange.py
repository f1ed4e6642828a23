"""Export and import."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import START, outcome
from wavewright.errors import FileFault, Misuse, StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.exchange import COLUMNS, Imported, export, import_outcomes
from wavewright.logbook.outcome_files import outcome_as_json
from wavewright.logbook.queries import Filter, entries


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    book = Logbook(tmp_path / "logbook.sqlite")
    book.enter_all([outcome(0), outcome(1, value=0.045), outcome(2, value=None)], station="line 2")
    return book


def test_csv_has_a_row_a_reading_in_si_units(book: Logbook, tmp_path: Path) -> None:
    assert export(book, tmp_path / "out.csv") == 3
    with (tmp_path / "out.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == COLUMNS
    assert [row["verdict"] for row in rows] == ["pass", "fail", "inconclusive"]
    assert float(rows[1]["value"]) == 0.045
    assert rows[2]["value"] == ""
    assert rows[0]["started"] == START.isoformat()
    assert (rows[0]["name"], rows[0]["unit"], rows[0]["high"]) == ("rail_noise.ripple", "V", "0.04")


def test_parquet_is_read_by_pandas(book: Logbook, tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    assert export(book, tmp_path / "out.parquet", Filter(verdict="fail")) == 1
    table = pandas.read_parquet(tmp_path / "out.parquet")
    assert list(table.columns) == list(COLUMNS)
    assert table["value"].tolist() == [0.045]


def test_json_lines_make_the_same_logbook_again(book: Logbook, tmp_path: Path) -> None:
    assert export(book, tmp_path / "out.jsonl") == 3
    other = Logbook(tmp_path / "other.sqlite")
    assert import_outcomes(other, tmp_path / "out.jsonl") == Imported(3, 0)
    assert entries(other) == entries(book)
    for entry in entries(book):
        assert outcome_as_json(other.outcome(entry.id)) == outcome_as_json(book.outcome(entry.id))


def test_what_is_known_is_not_entered_twice(book: Logbook, tmp_path: Path) -> None:
    export(book, tmp_path / "out.jsonl")
    assert import_outcomes(book, tmp_path / "out.jsonl") == Imported(0, 3)
    assert len(entries(book)) == 3


def test_evidence_folders_are_entered_with_their_captures(book: Logbook, tmp_path: Path) -> None:
    made = outcome(7, seed=3)
    with Evidence(tmp_path / "outcomes", started=made.started, recipe="rail_ripple", serial=made.serial) as evidence:
        for shot in made.captures["rail_noise"]:
            evidence.keep("rail_noise", shot)
        evidence.finish(made)
    assert import_outcomes(book, tmp_path / "outcomes") == Imported(1, 0)
    assert import_outcomes(book, tmp_path / "outcomes") == Imported(0, 1)
    assert len(book.outcome("last").captures["rail_noise"]) == 2


def test_a_spoilt_line_is_named_and_nothing_is_entered(book: Logbook, tmp_path: Path) -> None:
    export(book, tmp_path / "out.jsonl")
    path = tmp_path / "out.jsonl"
    path.write_text(path.read_text() + "{broken\n")
    other = Logbook(tmp_path / "other.sqlite")
    with pytest.raises(FileFault, match=r"out\.jsonl:4: not an exported outcome"):
        import_outcomes(other, path)
    assert entries(other) == []


@pytest.mark.parametrize("name", ["missing.jsonl", "."])
def test_what_holds_no_outcomes_is_refused(book: Logbook, tmp_path: Path, name: str) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(FileFault):
        import_outcomes(book, empty / name)


def test_an_unknown_ending_lists_the_known(book: Logbook, tmp_path: Path) -> None:
    with pytest.raises(Misuse, match=r"expected: one of \.csv, \.jsonl, \.parquet"):
        export(book, tmp_path / "out.xlsx")


def test_an_unwritable_file_is_said(book: Logbook, tmp_path: Path) -> None:
    with pytest.raises(StorageFault, match="cannot be written"):
        export(book, tmp_path / "missing" / "out.csv")
