"""The ground lead of a simulated probe, seen by metrics and doubts through the whole digitizer."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from tests.instruments.test_corrections import bench_in
from tests.running.test_doubtful_recipes import only
from wavewright.analysis.doubts import Doubt
from wavewright.errors import FileFault, Misuse
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import parse_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run import carry_out, prepare
from wavewright.simulation.files import check_simulation

OVERSHOOT = """
wavewright: 1
title: Overshoot of the enable line
measurements:
  one:
    place: Probe 1 on TP7.
    channels: {s: {input: 1, range: 8 V, offset: 2 V, STATED}}
    timebase: {span: 400 us, rate: 250 MHz}
    trigger: {mode: normal, edge: rising, level: 1.65 V}
    compute: {r: {metric: overshoot, LIMIT}}
"""
LEAD = 0.3  # m
RINGS_AT = 1 / (2 * math.pi * math.sqrt(1e-6 * LEAD * 12e-12))  # Hz; 1 nH per mm, common practice, no source


def bench_with(folder: Path, leads: str = "", *, stated: str = "") -> BenchFile:
    path = bench_in(folder, None)
    text = path.read_text()
    if leads:
        text = text.replace("seed: 204}", f"seed: 204, ground_leads: {leads}}}")
    if stated:
        text = text.replace("1: {attenuation: 10,", f"1: {{attenuation: 10, ground_lead: {stated},")
    path.write_text(text)
    return load_bench(path)


def overshoot(bench: BenchFile, *, stated: str, limit: str = "limit: at most 50 %") -> Outcome:
    text = OVERSHOOT.replace("STATED", stated).replace("LIMIT", limit)
    return carry_out(prepare(parse_recipe(text, "recipe.yaml"), bench), pause=lambda seconds: None)


def test_a_long_lead_rings_at_its_frequency_and_a_spring_does_not(tmp_path: Path) -> None:
    long = overshoot(bench_with(tmp_path, f"{{1: {LEAD} m}}"), stated="ground_lead: 10 mm")
    (shot,) = long.captures["one"]
    volts = shot.waveforms["s"].values(0, len(shot.waveforms["s"]))
    edges = np.flatnonzero((volts[1:-500] > 3.0) & (volts[:-501] <= 3.0) & (volts[501:] > 3.0)) + 1
    tail = np.mean([volts[edge : edge + 30] - volts[edge + 100 : edge + 400].mean() for edge in edges], axis=0)
    lines = np.abs(np.fft.rfft(tail * np.hanning(60)[30:], 4096))
    lines[: 4096 * 40 // 250] = 0.0  # below 40 MHz: how the edge settles
    assert int(lines.argmax()) * 250e6 / 4096 == pytest.approx(RINGS_AT, rel=0.15)
    short = overshoot(bench_with(tmp_path, "{1: 10 mm}"), stated="ground_lead: 10 mm")
    values = [only(each).reading.value or 0.0 for each in (long, short)]
    assert values[0] > 3 * values[1] > 0


def test_the_doubt_about_the_ground_lead_from_end_to_end(tmp_path: Path) -> None:
    doubted = only(overshoot(bench_with(tmp_path, f"{{1: {LEAD} m}}"), stated=f"ground_lead: {LEAD} m"))
    assert doubted.verdict is Verdict.INCONCLUSIVE
    assert "ground lead: the signal rings at " in doubted.reason
    sound = only(overshoot(bench_with(tmp_path, "{1: 10 mm}"), stated="ground_lead: 10 mm"))
    assert sound.verdict is Verdict.PASS
    assert Doubt.GROUND_LEAD not in sound.reading.doubts
    # the lead is stated, and the signal does not ring at its frequency: nothing speaks against the reading
    quiet = only(overshoot(bench_with(tmp_path, "{1: 0 m}"), stated=f"ground_lead: {LEAD} m"))
    assert Doubt.GROUND_LEAD not in quiet.reading.doubts


def test_what_the_bench_file_states_of_a_probe_is_what_is_simulated(tmp_path: Path) -> None:
    doubted = only(overshoot(bench_with(tmp_path, stated=f"{LEAD} m"), stated="probe: 10x"))
    assert Doubt.GROUND_LEAD in doubted.reading.doubts
    allowed = overshoot(
        bench_with(tmp_path, stated=f"{LEAD} m"),
        stated="probe: 10x",
        limit="limit: at most 50 %, doubts: {ground_lead: allow}",
    )
    assert only(allowed).verdict is Verdict.PASS


@pytest.mark.parametrize("leads", ["150 mm", "{1: 300 %}", "{one: 150 mm}", "{1: -1 mm}"])
def test_leads_that_make_no_sense_are_told(leads: str, tmp_path: Path) -> None:
    with pytest.raises((FileFault, Misuse)):
        check_simulation(bench_with(tmp_path, leads))
