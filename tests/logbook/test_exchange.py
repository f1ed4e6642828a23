"""Export and import."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.logbook.made_outcomes import START, outcome
from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.errors import Misuse, StorageFault
from wavewright.judgement.decision_rules import DecisionRule
from wavewright.judgement.limits import Limit
from wavewright.logbook.book import Logbook
from wavewright.logbook.exchange import COLUMNS, export
from wavewright.logbook.queries import Filter
from wavewright.running.outcome import Outcome
from wavewright.running.result import judged_result


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


def guarded() -> Outcome:
    """A run whose reading has a budget, judged with a guard band."""
    causes = (Contribution("gain", 0.0003, key="digitizer:input1:gain"), Contribution("noise", 0.0004))
    reading = Reading(0.0389, "V", budget=Budget(0.0389, "V", causes))
    rule, limit = DecisionRule.read("guarded"), Limit.read("at most 40 mV", unit="V")
    result = judged_result("ripple", "peak_to_peak", ("rail",), [reading], limit=limit, rule=rule)
    run = outcome(3)
    return replace(run, measurements=(replace(run.measurements[0], results=(result,)),))


# u = 0.5 mV; U = 1.96 u of a normal distribution; conformance Φ(1.1/0.5): closed form
EXPECTED = {"standard_uncertainty": 0.0005, "expanded_uncertainty": 1.959963985 * 0.0005, "coverage": 0.95,
            "coverage_factor": 1.959963985, "conformance": 0.986096552}  # fmt: skip


def test_csv_and_hdf5_carry_the_uncertainty_and_the_decision(book: Logbook, tmp_path: Path) -> None:
    book.enter_all([guarded()])
    assert export(book, tmp_path / "out.csv") == export(book, tmp_path / "out.h5") == 4
    with (tmp_path / "out.csv").open(newline="") as text:
        *before, row = csv.DictReader(text)
    assert {name: float(row[name]) for name in EXPECTED} == pytest.approx(EXPECTED, rel=1e-8)
    assert row["rule"] == "guarded with guard 1 U"
    assert [one["expanded_uncertainty"] for one in before] == ["", "", ""]  # of the record only
    with h5py.File(tmp_path / "out.h5") as file:
        columns = file["readings"]
        assert set(columns) == set(COLUMNS)
        assert {name: columns[name][-1] for name in EXPECTED} == pytest.approx(EXPECTED, rel=1e-8)
        assert np.isnan(columns["expanded_uncertainty"][:3]).all()
        assert columns["name"].asstr()[-1] == "rail_noise.ripple"


def test_pandas_has_the_same_columns() -> None:
    pytest.importorskip("pandas")
    (row,) = guarded().to_pandas().to_dict("records")
    assert {name: row[name] for name in EXPECTED} == pytest.approx(EXPECTED, rel=1e-8)
    assert row["rule"] == "guarded with guard 1 U"


def test_an_unknown_ending_lists_the_known(book: Logbook, tmp_path: Path) -> None:
    with pytest.raises(Misuse, match=r"expected: one of \.csv, \.h5, \.jsonl, \.parquet"):
        export(book, tmp_path / "out.xlsx")


def test_an_unwritable_file_is_said(book: Logbook, tmp_path: Path) -> None:
    with pytest.raises(StorageFault, match="cannot be written"):
        export(book, tmp_path / "missing" / "out.csv")
