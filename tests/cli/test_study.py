"""`wavewright study` on readings out of a logbook."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import numpy as np
import pytest

from tests.cli.conftest import Spoken
from tests.logbook.made_outcomes import outcome
from tests.logbook.studies.test_gauge import READINGS
from tests.logbook.studies.test_groups import days
from tests.logbook.studies.test_linearity import ROWS, TRUTHS
from wavewright.errors import FileFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.studies.catalogue import STUDIES, StudiedReading, StudyOption, StudyResult, reading_study
from wavewright.logbook.studies.tables import read_truths

NAME = "rail_noise.ripple"
Command = Callable[..., Spoken]


def book_of(path: Path, rows: list[tuple[str, str, float]]) -> Path:
    """A logbook with a run for each (serial, operator, value)."""
    with Logbook(path / "logbook.sqlite") as book:
        book.enter_all(
            replace(outcome(number, serial=serial, value=value), operator=operator)
            for number, (serial, operator, value) in enumerate(rows)
        )
    return path / "logbook.sqlite"


def test_gauge_gives_the_published_components(wavewright: Command, tmp_path: Path) -> None:
    # the example of tests/logbook/studies/test_gauge.py, as runs in a logbook
    units, operators, trials = READINGS.shape
    rows = [
        (f"U{unit}", "ABC"[operator], float(READINGS[unit, operator, trial]))
        for trial in range(trials)
        for unit in range(units)
        for operator in range(operators)
    ]
    told = wavewright("study", "gauge", NAME, "--logbook", book_of(tmp_path, rows), "--json")
    assert told.status == 0
    assert told.json["gauge"] == pytest.approx(0.302373, abs=1e-5)
    assert told.json["distinct_categories"] == 4


def test_an_incomplete_gauge_study_says_what_is_missing(wavewright: Command, tmp_path: Path) -> None:
    rows = [("U1", "A", 1.0), ("U1", "A", 1.1), ("U1", "B", 1.0), ("U2", "A", 2.0), ("U2", "A", 2.1)]
    told = wavewright("study", "gauge", NAME, "--logbook", book_of(tmp_path, rows))
    assert told.status == 64
    assert "too few trials of U1 by B: 1, U2 by B: 0" in told.stderr


def test_days_of_a_voltage_standard(wavewright: Command, tmp_path: Path) -> None:
    # source: JCGM 100:2008, H.5 (see tests/logbook/studies/test_groups.py), as runs in a logbook
    with Logbook(tmp_path / "logbook.sqlite") as book:
        book.enter_all(
            replace(
                outcome(5 * day + trial, serial="U1", value=10 + 1e-6 * microvolts),
                started=datetime(2026, 11, 1 + day, 8 + trial, tzinfo=UTC),
            )
            for day, values in enumerate(days())
            for trial, microvolts in enumerate(values)
        )
    told = wavewright("study", "days", NAME, "--logbook", tmp_path / "logbook.sqlite", "--json")
    assert told.status == 0
    assert told.json["days"][0] == "2026-11-01"
    assert told.json["mean"] == pytest.approx(10.0000971, abs=1e-10)
    parts = [1e6 * told.json[name] for name in ("within", "between", "uncertainty", "pooled_uncertainty")]
    assert parts == pytest.approx([84.88698369, 42.63861057, 18.05328533, 13.32324193], rel=1e-6)
    assert "between days" in wavewright("study", "days", NAME, "--logbook", tmp_path / "logbook.sqlite").stdout


def test_one_day_is_no_study_of_days(wavewright: Command, tmp_path: Path) -> None:
    rows = [("U1", "A", 1.0), ("U1", "A", 1.1)]
    told = wavewright("study", "days", NAME, "--logbook", book_of(tmp_path, rows))
    assert told.status == 64
    assert "at least 2 groups" in told.stderr


def test_linearity_gives_the_published_line(wavewright: Command, tmp_path: Path) -> None:
    rows = [(f"U{truth:g}", "A", value) for row, truth in zip(ROWS, TRUTHS, strict=True) for value in row]
    (tmp_path / "truth.csv").write_text("serial,value\n" + "".join(f"U{truth:g},{truth}\n" for truth in TRUTHS))
    told = wavewright(
        "study", "linearity", NAME, "--truth", tmp_path / "truth.csv", "--logbook", book_of(tmp_path, rows), "--json"
    )
    assert told.json["slope"] == pytest.approx(-0.131667, abs=1e-6)
    assert told.json["intercept"] == pytest.approx(0.736667, abs=1e-6)


def test_a_truth_that_is_no_number_is_told_with_its_line(wavewright: Command, tmp_path: Path) -> None:
    (tmp_path / "truth.csv").write_text("serial,value\nU1,2.0\nU2,two\n")
    book = book_of(tmp_path, [("U1", "A", 2.0)])
    told = wavewright("study", "linearity", NAME, "--truth", tmp_path / "truth.csv", "--logbook", book)
    assert told.status == 3
    assert "truth.csv:3: no known value" in told.stderr


@pytest.fixture
def lot(tmp_path: Path) -> Path:
    values = np.random.default_rng(4).normal(0.030, 0.003, 100)
    return book_of(tmp_path, [(f"U{number}", "A", float(value)) for number, value in enumerate(values)])


def test_capability_of_a_lot(wavewright: Command, lot: Path) -> None:
    told = wavewright("study", "capability", NAME, "--logbook", lot, "--json").json
    assert told["count"] == 100
    # math: (40 mV - mean) / 3 s
    assert told["cpk"] == pytest.approx((0.040 - told["mean"]) / (3 * told["standard_deviation"]))
    assert "Cpk" in wavewright("study", "capability", NAME, "--logbook", lot).stdout


def test_limits_are_proposed_as_a_recipe_writes_them(wavewright: Command, lot: Path) -> None:
    told = wavewright("study", "limits", NAME, "--side", "upper", "--logbook", lot)
    assert told.stdout.splitlines()[1].startswith("normal tolerance interval (normal, k = 1.9")
    assert "`limit: at most 3" in told.stdout
    assert told.stdout.splitlines()[2].startswith("distribution-free tolerance interval (order statistics")
    few = wavewright("study", "limits", NAME, "--share", 0.99, "--logbook", lot)
    assert "100 values cannot bound 99 % of all units with 95 % confidence; at least 473" in few.stdout


def test_yield_tells_units_and_what_failed(wavewright: Command, tmp_path: Path) -> None:
    book = book_of(tmp_path, [("U1", "A", 0.03), ("U2", "A", 0.05), ("U2", "A", 0.03)])
    told = wavewright("study", "yield", "--logbook", book)
    assert told.stdout.startswith("first-pass yield: 50.0 % (1 of 2 units; 95 % interval")
    assert "rail_noise.ripple: failed 1, cumulative 100 %" in told.stdout


def test_an_unknown_reading_names_the_nearest(wavewright: Command, lot: Path) -> None:
    told = wavewright("study", "capability", "rail_noise.riple", "--logbook", lot)
    assert told.status == 64
    assert "did you mean `rail_noise.ripple`?" in told.stderr


def test_a_chart_of_single_readings_names_the_points_beyond_its_limits(wavewright: Command, tmp_path: Path) -> None:
    values = [10.0, 10.1, 9.9, 10.0, 10.1, 9.9, 13.0, 10.0, 9.9, 10.1]
    book = book_of(tmp_path, [(f"U{number}", "A", value) for number, value in enumerate(values)])
    told = wavewright("study", "chart", NAME, "--logbook", book).stdout
    # math: the mean is 10.3, the mean moving range 7.1 / 9, d2 of two values 1.128
    assert "individual values: centre 10.3 V, control limits 8.203 V .. 12.4 V" in told
    assert "individual values: point 7 is beyond them: 13 V" in told
    # D4 of two values is 3.267: moving ranges of 3.1 V and 3 V are beyond 2.577 V
    assert "moving range: point 6 is beyond them: 3.1 V" in told


def test_a_chart_of_subgroups_takes_them_in_the_order_of_time(wavewright: Command, tmp_path: Path) -> None:
    values = [1.0, 3.0, 2.0, 4.0, 3.0, 5.0, 9.0]
    book = book_of(tmp_path, [(f"U{number}", "A", value) for number, value in enumerate(values)])
    told = wavewright("study", "chart", NAME, "--subgroup", 2, "--logbook", book)
    assert told.stdout.startswith("7 readings, 3 subgroups of 2; the newest 1 fill no subgroup and are left out")
    plain = wavewright("study", "chart", NAME, "--subgroup", 2, "--logbook", book, "--json").json
    means, ranges = plain["charts"]
    assert means["points"] == [2.0, 3.0, 4.0]
    assert ranges["points"] == [2.0, 2.0, 2.0]
    # A2 of two values is 1.880 (ISO 7870-2, table 2 †)
    assert means["high"] - means["centre"] == pytest.approx(1.880 * 2.0, abs=1e-3)
    few = wavewright("study", "chart", NAME, "--subgroup", 4, "--logbook", book)
    assert few.status == 64
    assert "at least two rows of equal length" in few.stderr


def test_every_study_shows_its_help_and_an_example(wavewright: Command) -> None:
    assert {"capability", "chart", "days", "gauge", "limits", "linearity", "yield"} <= set(STUDIES.everything())
    for name, study in STUDIES.everything().items():
        told = wavewright("study", name, "--help").stdout
        assert f"Example:\n    {study.example}" in told
        assert study.example.startswith(f"wavewright study {name}")
        assert " ".join(study.about.split()) in " ".join(told.split())
        assert "Raises" not in told


def test_a_study_of_ones_own_is_a_command(wavewright: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(STUDIES, "entered", dict(STUDIES.everything()))  # it is gone after the test

    @reading_study("median", example="wavewright study median rail_noise.ripple --times 2")
    def median(
        reading: StudiedReading, *, times: Annotated[float, StudyOption("Factor.", 0.0, 10.0)] = 1.0
    ) -> StudyResult:
        """Median of a reading.

        Half of the readings are above it.
        """
        middle = times * float(np.median(reading.values))
        return StudyResult({"median": middle}, (f"median {reading.shown(middle)}",))

    book = book_of(tmp_path, [("U1", "A", 1.0), ("U2", "A", 5.0), ("U3", "A", 2.0)])
    assert wavewright("study", "median", NAME, "--logbook", book).stdout == "median 2 V\n"
    told = wavewright("study", "median", NAME, "--times", 3, "--serial", "U2", "--logbook", book, "--json").json
    assert told == {"reading": NAME, "unit": "V", "median": 15.0}
    assert "Invalid value for '--times'" in wavewright("study", "median", NAME, "--times", 11).stderr
    assert "median      Median of a reading." in wavewright("study", "--help").stdout
    assert re.search(r"--times NUMBER +Factor\.", wavewright("study", "median", "-h").stdout)


@pytest.mark.parametrize(
    "table", ["serial,value\r\n{0},{1}\r\n", "serial;value\r\n{0};{2}\r\n"], ids=["comma", "decimal comma"]
)
def test_known_values_come_from_a_spreadsheet_on_windows(table: str, tmp_path: Path) -> None:
    # with the mark that a spreadsheet writes, and `;` where the decimal sign is a comma
    path = tmp_path / "truth.csv"
    path.write_bytes(table.format("U1", "2.5", "2,5").encode("utf-8-sig"))
    assert read_truths(path) == {"U1": 2.5}


def test_a_table_with_a_column_too_few_is_told(tmp_path: Path) -> None:
    (tmp_path / "truth.csv").write_text("serial;value\nU1\n", encoding="utf-8")
    with pytest.raises(FileFault, match=r"truth\.csv:2: no known value"):
        read_truths(tmp_path / "truth.csv")
