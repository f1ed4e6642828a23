from __future__ import annotations

import csv
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.logbook.book import Logbook
from wavewright.logbook.exchange import export
from wavewright.logbook.spreadsheet_cell import as_cell

FORMULAS = ["=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1"]


@pytest.mark.parametrize("text", FORMULAS)
def test_what_would_be_computed_is_shown(text: str) -> None:
    assert as_cell(text) == f"'{text}"


@pytest.mark.parametrize("value", ["VC204-0001", "", "-5", "-1.5e-3", -5.0, 0, None])
def test_what_is_no_formula_stays(value: object) -> None:
    assert as_cell(value) == value


def test_an_exported_table_holds_no_formula(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book.sqlite") as book:
        book.enter_all([outcome(number, serial=text) for number, text in enumerate(FORMULAS)])
        export(book, tmp_path / "t.csv")
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@", "\t", "\r"))]
