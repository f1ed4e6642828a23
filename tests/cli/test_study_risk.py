"""`wavewright study risk`: the resistors of JCGM 106:2012, 9.5, as the runs of a lot."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Spoken
from tests.logbook.made_outcomes import outcome
from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.judgement.decision_rules import DecisionRule
from wavewright.judgement.limits import Limit
from wavewright.logbook.book import Logbook
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome, judged_result

Command = Callable[..., Spoken]
LOT, MEASURED, UNITS = 0.12, 0.04, 40
NAME = "board.shunt"


def run(number: int, reading: Reading, *, limit: str, rule: str = "simple") -> Outcome:
    words = Limit.read(limit, unit=reading.unit)
    shunt = judged_result("shunt", "resistance", (), [reading], limit=words, rule=DecisionRule.read(rule))
    count = judged_result(
        "wrong", "frame_errors", (), [Reading(0.0, "count")], limit=Limit.read("exactly 0", unit="count")
    )
    free = judged_result("free", "mean", (), [Reading(1.0, "V")])
    one = MeasurementOutcome("board", shots=1, results=(shunt, count, free))
    return replace(outcome(number), measurements=(one,))


def lot(spread: float, *causes: Contribution, mean: float = 1500.0, count: int = UNITS) -> list[Reading]:
    """Readings whose mean and experimental standard deviation are exactly these."""
    around = np.tile([1.0, -1.0], count // 2) * spread * math.sqrt((count - 1) / count)
    return [Reading(mean + each, "ohm", budget=Budget(mean + each, "ohm", causes)) for each in around]


def book_of(path: Path, readings: Sequence[Reading], **how: str) -> Path:
    with Logbook(path / "logbook.sqlite") as book:
        book.enter_all(
            run(number, reading, **{"limit": "1499.8 ohm .. 1500.2 ohm", **how})
            for number, reading in enumerate(readings)
        )
    return path / "logbook.sqlite"


RESISTORS = lot(math.hypot(LOT, MEASURED), Contribution("bridge", MEASURED))
GUARD = f"guarded acceptance with guard {0.02 / MEASURED / 1.959963984540054!r} U"  # w = 0.02 ohm


def test_the_resistors_of_the_worked_example(wavewright: Command, tmp_path: Path) -> None:
    # "about 90 % conform", R_C 1 %, R_P 7 %: JCGM 106, 9.5, from memory; more digits recomputed with SciPy
    where = book_of(tmp_path, RESISTORS, rule=GUARD)
    told = wavewright("study", "risk", "--reading", NAME, "--logbook", where, "--json")
    assert told.status == 0, told.stderr
    assert (told.json["mean"], told.json["spread"]) == pytest.approx((1500, 0.12), abs=1e-9)
    risks = told.json["risks"]
    assert risks["conforming"] == pytest.approx(0.90441930, abs=1e-7)
    assert (risks["consumer"], risks["producer"]) == pytest.approx((0.00987829, 0.06902651), abs=1e-7)
    assert told.json["ratio"] == pytest.approx(0.2 / (1.959964 * 0.04), rel=1e-6)
    assert told.json["specific"] == pytest.approx(0.30853754, abs=1e-7)  # 1 - Φ(0.02/0.04)
    said = wavewright("study", "risk", "--reading", NAME, "--logbook", where).stdout
    assert "consumer's risk 0.99 %, producer's risk 6.90 %" in said


def test_one_resistor_alone_and_out_of_its_lot(wavewright: Command, tmp_path: Path) -> None:
    # closed form, see tests/logbook/studies/test_global_risk.py
    where = book_of(tmp_path, RESISTORS)
    told = wavewright("study", "risk", "--reading", NAME, "--value", "1500.21", "--logbook", where, "--json")
    assert told.json["conformance"] == pytest.approx(0.40129367, abs=1e-7)
    assert told.json["conformance_in_lot"] == pytest.approx(0.61404424, abs=1e-7)


def test_the_guard_band_for_a_risk_is_the_one_that_has_it(wavewright: Command, tmp_path: Path) -> None:
    where = book_of(tmp_path, RESISTORS)
    told = wavewright("study", "risk", "--reading", NAME, "--consumer-risk", "0.00433407", "--logbook", where, "--json")
    # of the table of guard bands for this lot: w 0.04 gives 0.00433407 and 0.11465658
    assert told.json["guard_for_consumer_risk"] == pytest.approx(0.04, abs=1e-6)
    assert told.json["producer_risk_then"] == pytest.approx(0.11465658, abs=1e-6)


def test_every_limit_of_a_recipe_has_a_row_and_a_count_has_none(wavewright: Command, tmp_path: Path) -> None:
    said = wavewright("study", "risk", "--logbook", book_of(tmp_path, RESISTORS)).stdout
    head, row, *rest = said.splitlines()
    assert head.split("  ")[0] == "reading"
    assert row.split() == ["board.shunt", "40", "40", "mohm", "2.55", "1.89", "%", "3.72", "%", "simple"]
    assert not rest


def test_an_error_that_all_readings_share_is_not_taken_from_the_spread_of_the_lot(
    wavewright: Command, tmp_path: Path
) -> None:
    causes = (Contribution("gain", 0.03, key="meter:gain"), Contribution("noise", math.sqrt(0.04**2 - 0.03**2)))
    readings = lot(math.hypot(LOT, causes[1].standard), *causes)
    told = wavewright("study", "risk", "--reading", NAME, "--logbook", book_of(tmp_path, readings), "--json")
    assert (told.json["standard"], told.json["spread"]) == pytest.approx((0.04, 0.12), abs=1e-9)


def test_another_rule_may_be_tried(wavewright: Command, tmp_path: Path) -> None:
    where = book_of(tmp_path, RESISTORS)
    told = wavewright("study", "risk", "--reading", NAME, "--judge", GUARD, "--logbook", where, "--json")
    assert told.json["risks"]["consumer"] == pytest.approx(0.00987829, abs=1e-7)
    told = wavewright("study", "risk", "--judge", "garded", "--logbook", where)
    assert told.status == 64
    assert "did you mean `guarded`?" in told.stderr


def test_readings_of_the_record_only_say_so_unless_their_uncertainty_is_given(
    wavewright: Command, tmp_path: Path
) -> None:
    where = book_of(tmp_path, [replace(reading, budget=None) for reading in RESISTORS])
    assert "board.shunt: record only" in wavewright("study", "risk", "--logbook", where).stdout
    told = wavewright("study", "risk", "--reading", NAME, "--uncertainty", "0.04", "--logbook", where, "--json")
    assert told.json["risks"]["consumer"] == pytest.approx(0.01894221, abs=1e-7)


def test_readings_that_scatter_as_the_measurement_does_say_nothing_of_the_lot(
    wavewright: Command, tmp_path: Path
) -> None:
    readings = lot(0.039, Contribution("bridge", MEASURED))
    said = wavewright("study", "risk", "--reading", NAME, "--logbook", book_of(tmp_path, readings)).stdout
    assert "no more than the measurement itself" in said
    assert "consumer's risk 0" not in said


def test_a_guard_band_that_leaves_nothing_is_said(wavewright: Command, tmp_path: Path) -> None:
    readings = lot(0.4, Contribution("bridge", 0.2))
    where = book_of(tmp_path, readings, rule="guarded")
    told = wavewright("study", "risk", "--reading", NAME, "--logbook", where)
    assert "no reading can pass" in told.stdout
    assert "limit to U 0.51" in told.stdout


def test_what_makes_no_sense_is_refused(wavewright: Command, tmp_path: Path) -> None:
    where = book_of(tmp_path, RESISTORS[:2])
    assert "`--reading NAME` beside it" in wavewright("study", "risk", "--value", "3", "--logbook", where).stderr
    told = wavewright("study", "risk", "--reading", "board.shnt", "--logbook", where)
    assert "did you mean `board.shunt`?" in told.stderr
    told = wavewright("study", "risk", "--reading", NAME, "--logbook", where)
    assert "not known from 2 units" in told.stdout
