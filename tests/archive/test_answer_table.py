"""One table of all answers, read again with the CSV module of Python and with pandas."""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd
import pytest

from tests.archive.letters import Letters
from wavewright.archive.answer import ItemAnswer
from wavewright.archive.answer_table import check_table, write_table
from wavewright.archive.query import answers_of
from wavewright.errors import Misuse, StorageFault

ITEMS = ["gate", "bad one", "=sum(A1)", "valve"]


def test_both_forms_have_a_row_for_each_answer_and_each_fault(tmp_path: Path) -> None:
    query = Letters()
    found = [ItemAnswer.read(one.text) for one in answers_of(query, ITEMS)]
    for name in ("t.csv", "t.parquet"):
        check_table(tmp_path / name)
        write_table(tmp_path / name, found, query.columns)
    with (tmp_path / "t.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    # a text that a spreadsheet would compute is marked as text
    assert [row["word"] for row in rows] == ["gate", "bad one", "'=sum(A1)", "valve"]
    assert [row["letters"] for row in rows] == ["4", "", "8", "5"]
    assert rows[1]["fault"] == "bad one: not a word"
    frame = pd.read_parquet(tmp_path / "t.parquet")
    assert list(frame.columns) == list(query.columns)
    assert frame["word"].tolist() == ITEMS
    assert frame["share"].tolist()[::2] == [1 / 4, 1 / 8]
    assert float(rows[3]["share"]) == frame["share"][3] == 1 / 5


def test_what_cannot_be_a_table_is_refused_before_anything_is_computed(tmp_path: Path) -> None:
    with pytest.raises(Misuse, match=r"\.csv or \.parquet"):
        check_table(tmp_path / "t.txt")
    with pytest.raises(StorageFault, match="there is no such folder"):
        check_table(tmp_path / "away" / "t.csv")
