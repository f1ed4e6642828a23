"""Corrections and calibrations of the day stay with a run: in its evidence, in the logbook, and for recompute."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import wavewright as ww
from tests.instruments.test_corrections import bench_in, gain_entry, text_of
from wavewright.cli.main import execute
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.book import Logbook
from wavewright.logbook.outcome_files import outcome_from_json, read_document, read_outcome
from wavewright.logbook.recompute import recompute
from wavewright.logbook.verification import verify

RECIPE = """
wavewright: 1
title: the rail
measurements:
  rail:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, points: 2k}
    trigger: {mode: auto}
    compute:
      level: {metric: mean, of: rail, limit: 3.3 V ± 10 %}
      frequency: {of: rail}
    meter:
      told: {quantity: dc_voltage, limit: 3.3 V ± 5 %}
"""
OFFSET = gain_entry(quantity="offset", value="-100 mV", uncertainty="1 mV")
GAIN = gain_entry(value="10 %", uncertainty="0.1 %")


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    path = tmp_path / "rail.yaml"
    path.write_text(RECIPE)
    return path


def run(recipe: Path, corrections: str | None, **more: str) -> ww.Outcome:
    bench = bench_in(recipe.parent, corrections, **more)
    return ww.run(recipe, bench=bench, draw=5, out=recipe.parent / "out", logbook=recipe.parent / "book.sqlite")


def test_readings_are_corrected_and_the_codes_are_the_same(recipe: Path) -> None:
    plain, corrected = run(recipe, None), run(recipe, text_of(OFFSET, GAIN))
    (told,), (now,) = plain.captures["rail"], corrected.captures["rail"]
    assert np.array_equal(told["rail"].codes, now["rail"].codes)
    was = plain["rail.level"].value
    assert was is not None
    assert corrected["rail.level"].value == pytest.approx((was - 0.1) * 1.1, rel=1e-12)
    assert now.settings["input1.correction.gain"] == pytest.approx(0.1)
    assert now.settings["input1.correction.offset.uncertainty"] == pytest.approx(1e-3)
    assert "input1.correction.gain" not in told.settings


def test_recompute_takes_the_corrections_of_the_day(recipe: Path) -> None:
    outcome = run(recipe, text_of(OFFSET, GAIN))
    assert outcome.corrections is not None
    assert "value: 10 %" in outcome.corrections.text
    (recipe.parent / "corrections.yaml").write_text(text_of(gain_entry(value="-20 %")))
    assert outcome.folder is not None
    again = read_outcome(outcome.folder)
    assert again.corrections == outcome.corrections
    assert recompute(again).is_same
    with Logbook.existing(str(recipe.parent / "book.sqlite")) as book:
        kept = book.outcome(outcome.id)
        assert kept.corrections == outcome.corrections
        assert recompute(kept).is_same
        assert not verify(book).flaws


def test_an_outcome_from_before_has_no_corrections(recipe: Path) -> None:
    outcome = run(recipe, None)
    assert outcome.folder is not None
    document = read_document(outcome.folder)
    assert "corrections" not in document
    assert "calibrations" not in document
    assert outcome_from_json(document).corrections is None


@pytest.mark.parametrize(
    "corrections, bench, late",
    [
        (text_of(gain_entry(date="2020-01-01", due="2021-01-01")), "", {"level", "frequency"}),
        (None, "    due: 2021-01-01\n", {"level", "frequency"}),
        (text_of(gain_entry(due="2999-01-01")), "", set()),
        (None, "    due: 2999-01-01\n", set()),
    ],
)
def test_a_pass_on_an_overdue_calibration_is_inconclusive(
    recipe: Path, corrections: str | None, bench: str, late: set[str]
) -> None:
    path = bench_in(recipe.parent, corrections)
    if bench:
        entry = "  digitizer:\n    resource: TCPIP0::digitizer.example::inst0::INSTR\n    profile: scpi-digitizer\n"
        lines = [one for one in path.read_text().splitlines(True) if not one.startswith("  digitizer:")]
        at = lines.index("instruments:\n") + 1
        path.write_text("".join([*lines[:at], entry + bench, *lines[at:]]))
    outcome = ww.run(recipe, bench=path, draw=5, out=recipe.parent / "out", logbook=None)
    doubted = {
        result.name
        for result in outcome.measurements[0].results
        if ww.Doubt.CALIBRATION_OVERDUE in result.reading.doubts
    }
    assert doubted == late
    (level,) = (one for one in outcome.measurements[0].results if one.name == "level")
    assert level.verdict is (Verdict.INCONCLUSIVE if late else Verdict.PASS)
    if late:
        assert "was due on 2021-01-01" in level.reason
        assert recompute(outcome).is_same


def test_a_meter_that_is_overdue_puts_its_own_readings_in_doubt(recipe: Path) -> None:
    path = bench_in(recipe.parent, None)
    path.write_text(path.read_text().replace("profile: scpi-meter}", "profile: scpi-meter, due: 2021-01-01}"))
    outcome = ww.run(recipe, bench=path, draw=5, out=recipe.parent / "out", logbook=None)
    verdicts = {one.name: one.verdict for one in outcome.measurements[0].results}
    assert verdicts["told"] is Verdict.INCONCLUSIVE
    assert verdicts["level"] is Verdict.PASS


def test_what_the_bench_says_of_calibrations_is_kept(recipe: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = bench_in(recipe.parent, None)
    text = path.read_text().replace(
        "profile: scpi-digitizer}",
        "profile: scpi-digitizer, calibrated: 2026-03-02, due: 2999-03-02, certificate: VCL-2026-0318}",
    )
    path.write_text(text.replace("  1: {", "  1: {serial: PB-0107, due: 2021-01-01, ", 1))
    outcome = ww.run(recipe, bench=path, draw=5, out=recipe.parent / "out", logbook=None)
    assert outcome.calibrations["digitizer"].words == "calibrated 2026-03-02, certificate VCL-2026-0318, due 2999-03-02"
    assert outcome.calibrations["probe 1"].words == "due 2021-01-01, overdue"
    assert outcome.folder is not None
    assert read_outcome(outcome.folder).calibrations == outcome.calibrations
    assert set(json.loads((outcome.folder / "outcome.json").read_text())["calibrations"]) == {"digitizer", "probe 1"}


def test_a_correction_of_another_instrument_ends_the_run_before_anything_is_measured(
    recipe: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = bench_in(recipe.parent, text_of(GAIN.replace("WD-0204", "WD-0999")))
    status = execute(
        ["run", str(recipe), "--bench", str(bench), "--out", str(recipe.parent / "out"), "--no-logbook", "--yes"]
    )
    said = capsys.readouterr()
    assert status == 3
    assert "a correction of another instrument" in said.err
    assert "Traceback" not in said.err
    (folder,) = (recipe.parent / "out").iterdir()
    assert read_outcome(folder).measurements == ()


def test_the_report_shows_corrections_and_calibrations(recipe: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = bench_in(recipe.parent, text_of(OFFSET, GAIN))
    text = path.read_text().replace(
        "profile: scpi-digitizer}", "profile: scpi-digitizer, due: 2999-03-02, certificate: VCL-7}"
    )
    path.write_text(text)
    outcome = ww.run(recipe, bench=path, draw=5, out=recipe.parent / "out", logbook=None)
    assert outcome.folder is not None
    page = recipe.parent / "report.html"
    assert execute(["report", str(outcome.folder), "--out", str(page)]) == 0
    shown = page.read_text()
    assert "certificate VCL-7, due 2999-03-02" in shown
    assert "rail, input 1: offset -100 mV ± 1 mV, gain 10.0 % ± 0.1 %" in shown
    assert outcome.corrections is not None
    assert outcome.corrections.sha256 in shown


def test_identify_lists_what_is_overdue(recipe: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = bench_in(recipe.parent, text_of(gain_entry(date="2020-01-01", due="2021-01-01")))
    text = path.read_text().replace(
        "profile: scpi-meter}", "profile: scpi-meter, calibrated: 2020-01-01, due: 2022-02-02}"
    )
    path.write_text(text.replace("  1: {", "  1: {due: 2023-03-03, ", 1))
    assert execute(["bench", "identify", "--bench", str(path)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "overdue: `meter` was due on 2022-02-02" in said
    assert "overdue: the probe in input 1 was due on 2023-03-03" in said
    assert "overdue: the correction of gain of input 1 at 8 V, 10x was due on 2021-01-01" in said
    assert execute(["bench", "identify", "--bench", str(path), "--json"]) == 0
    answers = json.loads(capsys.readouterr().out)
    assert answers["meter"]["calibration"]["is_overdue"] is True
    assert "calibration" not in answers["supply"]


def test_a_derived_channel_and_a_notebook_bear_a_skew_that_was_corrected(recipe: Path) -> None:
    text = RECIPE.replace(
        "{rail: {input: 1, range: 8 V, offset: 2 V}}",
        "{rail: {input: 1, range: 8 V, offset: 2 V}, other: {input: 2, range: 8 V, offset: 2 V}}",
    )
    text = text.replace(
        "    trigger: {mode: auto}",
        "    trigger: {mode: auto, on: rail}\n    derived: {apart: rail - other}\n"
        "    place: Probe 1 on TP3, probe 2 on TP3.",
    )
    recipe.write_text(
        text.replace(
            "      frequency: {of: rail}",
            "      apart: {metric: rms, of: apart, limit: at most 50 mV}\n"
            "      alike: {metric: correlation, of: [rail, other]}",
        )
    )
    skews = [
        gain_entry(quantity="skew", more=f"input: {n}, probe: 10x, ", value=f"{40 * (n - 1)} ns", uncertainty="1 ps")
        for n in (1, 2)
    ]
    outcome = run(recipe, text_of(*skews))
    assert outcome["rail.apart"].value is not None
    assert outcome["rail.alike"].value is not None
    dataset = outcome.to_xarray("rail")
    assert "later" not in dataset["rail"].attrs
    assert dataset["other"].attrs["later"] == pytest.approx(40e-9)
    assert recompute(outcome).is_same
