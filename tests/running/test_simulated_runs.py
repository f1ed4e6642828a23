"""An outcome says whether real instruments measured, and what fluctuates is drawn anew in each simulated run."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

import wavewright as ww
from wavewright.instruments.simulated import is_without_instruments, say_simulated
from wavewright.logbook.outcome_files import outcome_as_json, outcome_from_json
from wavewright.running.outcome import Outcome
from wavewright.simulation.server.serving import BenchServer

ROOT = Path(__file__).parents[2]
BENCH = ROOT / "sim" / "bench.yaml"
RECIPE = """\
wavewright: 1
title: Is the 3.3 V rail quiet?
measurements:
  rail_noise:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, coupling: ac, range: 100 mV, probe: 1x, bandwidth_limit: 20 MHz}}
    timebase: {span: 2 ms, rate: 25 MHz}
    compute:
      ripple: {metric: ac_rms, limit: at most 40 mV}
"""


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    path = tmp_path / "rail.yaml"
    path.write_text(RECIPE, encoding="utf-8")
    return path


def ripple(outcome: Outcome) -> float:
    value = outcome["rail_noise.ripple"].value
    assert value is not None
    return value


@pytest.mark.parametrize(
    "library, expected",
    [
        ("instruments.yaml@sim", True),
        ("@sim", True),
        ("wire.log@replay", True),
        ("@py", False),
        ("@ivi", False),
        ("/usr/lib/libvisa.so", False),
    ],
)
def test_a_library_shows_that_no_instrument_is_there(library: str, expected: bool) -> None:
    assert is_without_instruments(library) is expected


def test_an_identity_may_say_so_as_well() -> None:
    assert say_simulated(["Maker,Model 7,1,1.0", "Wavewright,Simulated supply,WS-0204,1.0"])
    assert not say_simulated(["Maker,Simulacrum 7,1,1.0"])


def test_an_outcome_of_the_simulated_bench_says_so_and_still_does_when_it_is_read_back(recipe: Path) -> None:
    outcome = ww.run(recipe, bench=BENCH)
    assert outcome.is_simulated
    document = json.loads(json.dumps(outcome_as_json(outcome)))
    assert outcome_from_json(document).is_simulated
    del document["simulated"], document["draw"]  # as older versions wrote it
    assert outcome_from_json(document).is_simulated


def test_a_simulated_bench_over_sockets_says_so_too_even_if_its_bench_file_does_not(
    recipe: Path, tmp_path: Path
) -> None:
    with BenchServer(BENCH) as server:
        server.write_bench(tmp_path / "live.yaml")
        text = (tmp_path / "live.yaml").read_text(encoding="utf-8")
        assert "simulated: true" in text
        assert ww.run(recipe, bench=tmp_path / "live.yaml").is_simulated
        (tmp_path / "bare.yaml").write_text(text.replace("simulated: true\n", ""), encoding="utf-8")
        assert ww.run(recipe, bench=tmp_path / "bare.yaml").is_simulated


def test_noise_is_drawn_anew_in_each_run_and_the_board_stays_the_same(recipe: Path) -> None:
    runs = [ww.run(recipe, bench=BENCH) for _ in range(3)]
    assert len({ripple(run) for run in runs}) == 3
    assert len({run.draw for run in runs}) == 3
    assert {run.seed for run in runs} == {204}
    assert max(map(ripple, runs)) == pytest.approx(min(map(ripple, runs)), rel=0.02)  # noise, not another board


def test_a_seed_repeats_a_run_bit_for_bit(recipe: Path) -> None:
    assert ripple(ww.run(recipe, bench=BENCH, seed=7)) == ripple(ww.run(recipe, bench=BENCH, seed=7))
    assert ripple(ww.run(recipe, bench=BENCH, seed=7)) != ripple(ww.run(recipe, bench=BENCH, seed=8))


def test_the_draw_of_an_outcome_repeats_that_run(recipe: Path) -> None:
    first = ww.run(recipe, bench=BENCH)
    assert ripple(ww.run(recipe, bench=BENCH, draw=first.draw)) == ripple(first)


def test_who_names_no_bench_is_told_so_before_anything_else(recipe: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "wavewright",
        "run",
        recipe.name,
        "--serial",
        "VC204-0001",
        "--yes",
        "--no-logbook",
    ]
    done = subprocess.run(command, cwd=recipe.parent, capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert done.stderr.splitlines()[0].startswith("no bench was named: taking the simulated bench")
    assert "(simulated bench)" in done.stdout.splitlines()[0]
    assert done.stdout.splitlines()[-1].startswith("verdict: pass, on a simulated bench")


def test_every_report_says_it(recipe: Path, tmp_path: Path) -> None:
    from wavewright.reporting.html import html
    from wavewright.reporting.junit import junit
    from wavewright.reporting.markdown import markdown

    outcome = ww.run(recipe, bench=BENCH)
    assert markdown(outcome).splitlines()[0].endswith("PASS, on a simulated bench")
    page = html(outcome)
    assert "On a simulated bench" in page[: page.index("<h1>")]
    properties = {one.get("name"): one.get("value") for one in Xml.fromstring(junit(outcome)).iter("property")}
    assert properties["bench"] == "simulated"
    assert ", on a simulated bench" in outcome._repr_html_()
