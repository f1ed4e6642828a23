"""Export and import."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import START, outcome
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.exchange import COLUMNS, export
from wavewright.logbook.queries import Filter


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
    assert (rows[0]["name"], rows[0]["unit"], rows[0]["upper_limit"]) == ("rail_noise.ripple", "V", "0.04")


def test_parquet_is_read_by_pandas(book: Logbook, tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    assert export(book, tmp_path / "out.parquet", Filter(verdict="fail")) == 1
    table = pandas.read_parquet(tmp_path / "out.parquet")
    assert list(table.columns) == list(COLUMNS)
    assert table["value"].tolist() == [0.045]


def test_an_unknown_ending_lists_the_known(book: Logbook, tmp_path: Path) -> None:
    with pytest.raises(Misuse, match=r"expected: one of \.csv, \.jsonl, \.parquet"):
        export(book, tmp_path / "out.xlsx")


def test_an_unwritable_file_is_said(book: Logbook, tmp_path: Path) -> None:
    with pytest.raises(StorageFault, match="cannot be written"):
        export(book, tmp_path / "missing" / "out.csv")
