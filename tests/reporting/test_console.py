from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from tests.example_outcome import example_outcome
from tests.reporting.reported import reported
from wavewright.analysis.reading import Doubt, Finding, Reading
from wavewright.reporting.console import print_outcome, print_statistics, shown_reading
from wavewright.running.attachment import Attachment
from wavewright.running.declared import Declared
from wavewright.running.outcome import Outcome
from wavewright.running.readings_table import reading_rows
from wavewright.running.result import CrossCheck


@pytest.fixture
def outcome() -> Outcome:
    return example_outcome()


def printed(outcome: Outcome) -> str:
    console = Console(file=io.StringIO(), width=160, no_color=True)
    print_outcome(outcome, console)
    assert isinstance(console.file, io.StringIO)
    return "\n".join(line.rstrip() for line in console.file.getvalue().splitlines())


def test_each_result_is_a_row_with_reading_limit_margin_and_verdict(outcome: Outcome) -> None:
    row = next(line for line in printed(outcome).splitlines() if " ripple " in line)
    assert re.split(r" {2,}", row) == [
        "rail_noise",
        "ripple",
        "31.2 mV, record only",
        "at most 40 mV",
        "8.8 mV",
        "pass",
    ]


@pytest.mark.parametrize("width", [40, 60, 80, 100, 120])
def test_a_window_of_any_width_breaks_no_name_number_or_limit(width: int) -> None:
    narrow = io.StringIO()
    print_outcome(reported(), Console(file=narrow, width=width, no_color=True))
    lines = narrow.getvalue().splitlines()
    rows = list(reading_rows(reported().measurements))
    assert all(len(line) <= width for line in lines[: len(rows)])
    for row in rows:
        for cell in (row.measurement, row.characteristic, row.value, row.reach, row.limit, row.margin, row.verdict):
            assert any(cell in line for line in lines), (width, cell)


def test_in_a_window_of_80_columns_each_condition_is_whole_above_its_readings() -> None:
    one = example_outcome().measurements[1]
    sweep = tuple(
        replace(one, name="coil_drive_of_the_valve", conditions={"duty": f"{duty} %", "load": "120 ohm"})
        for duty in (10, 40)
    )
    narrow = io.StringIO()
    print_outcome(replace(example_outcome(), measurements=sweep), Console(file=narrow, width=80, no_color=True))
    lines = [line.rstrip() for line in narrow.getvalue().splitlines()]
    places = [lines.index(measurement.label) for measurement in sweep]
    assert [lines[place + 1].split()[0] for place in places] == ["duty_factor", "duty_factor"]
    assert places[1] - places[0] > 2


def test_the_margin_of_a_ratio_is_in_percentage_points(outcome: Outcome) -> None:
    row = next(line for line in printed(outcome).splitlines() if " duty_factor " in line)
    assert "40 % ± 1 pp" in row
    assert "-4 pp" in row


def test_what_is_not_judged_has_neither_limit_nor_verdict(outcome: Outcome) -> None:
    row = next(line for line in printed(outcome).splitlines() if " mean " in line)
    assert re.split(r" {2,}", row)[-3:] == ["–", "–", "not judged"]


def test_the_reasons_stand_below_the_table(outcome: Outcome) -> None:
    text = printed(outcome)
    assert "coil_drive[duty=40 %].duty_factor: 45 % exceeds the limit (40 % ± 1 pp)" in text
    assert "coil_drive[duty=40 %].overshoot: 0 edges" in text
    assert "reset_hold: no trigger within 5 s" in text
    assert "rail_noise.ripple: in doubt: few codes" in text
    assert "rail_noise: input1.range: requested 100 mV, set to 160 mV" in text


def test_the_last_line_is_the_verdict_and_where_the_evidence_lies(outcome: Outcome) -> None:
    last = printed(replace(outcome, folder=Path("outcomes/x"))).splitlines()[-1]
    assert last == f"verdict: error (1 pass, 1 inconclusive, 1 fail, 1 error); evidence in {Path('outcomes/x')}"


def test_brackets_in_a_label_are_not_taken_for_markup(outcome: Outcome) -> None:
    assert "coil_drive[duty=40 %]" in printed(outcome)


PULSE_WIDTH = Reading(2.19722e-3, "s", uncertainty=1.3e-6, count=5, minimum=2.19e-3, maximum=2.21e-3)
FEW_CYCLES = Finding(Doubt.FEW_CYCLES)
CELLS = [
    (PULSE_WIDTH, ("2.197 ms, record only", "5", "2.190 ms", "2.210 ms", "")),
    (
        Reading(0.4, "1", uncertainty=0.002, doubts=(Doubt.FEW_CYCLES,)),
        ("40.0 %, record only", "–", "–", "–", Finding(Doubt.FEW_CYCLES).sentence),
    ),
    (Reading(None, "s", reason="0 rising crossings of 1.5 V"), ("–", "–", "–", "–", "0 rising crossings of 1.5 V")),
]


@pytest.mark.parametrize("reading, cells", CELLS)
def test_a_reading_is_shown_with_the_digits_that_its_uncertainty_bears(
    reading: Reading, cells: tuple[str, ...]
) -> None:
    assert shown_reading(reading) == cells


def test_the_mean_over_shots_has_the_digits_that_its_scatter_bears() -> None:
    outcome = reported()
    result = outcome.results["rail_noise.ripple_tone"]
    shots = tuple(replace(shot, value=11.9984e6 + 20 * number) for number, shot in enumerate(result.shots))
    (one, *rest) = outcome.measurements
    results = tuple(replace(each, shots=shots) if each.name == result.name else each for each in one.results)
    printed = io.StringIO()
    console = Console(file=printed, width=200)
    print_statistics(replace(outcome, measurements=(replace(one, results=results), *rest)), console)
    # math: mean of 11.99840 MHz and 11.99842 MHz, standard uncertainty 10 Hz
    assert "11.99841 MHz" in printed.getvalue()


def test_a_cross_check_says_what_it_compares_and_shows_no_rounding(outcome: Outcome) -> None:
    first = outcome.measurements[0]
    # 0.1 + 0.2 and 0.3 are 5.6e-17 apart in float64 (IEEE 754), which is no difference of two instruments
    checks = (CrossCheck("duty", "1", 0.3, 0.1 + 0.2), CrossCheck("high", "V", 1.5, 1.516))
    text = printed(replace(outcome, measurements=(replace(first, cross_checks=checks),)))
    assert f"{first.label}.duty: instrument 30 %, computed 30 % (last shot), difference 0 %\n" in text
    assert "high: instrument 1.516 V, computed 1.5 V (last shot), difference 16 mV\n" in text


def test_a_note_of_several_lines_looks_like_no_verdict(outcome: Outcome) -> None:
    note = Attachment("2026-03-02T08:00:00+00:00", "R. Okafor", text="tip slipped\nverdict: pass")
    odd = replace(outcome, serial="VC204-0017\nverdict: pass", declared={"lot": Declared("7\nverdict: pass")})
    lines = printed(replace(odd, added=(note,))).splitlines()
    assert [line for line in lines if line.startswith("verdict: ")] == lines[-1:]
    assert "      verdict: pass (R. Okafor, 2026-03-02 08:00 UTC)" in lines
