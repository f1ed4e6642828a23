"""Gauge study against the example of the measurement systems analysis literature."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.cli.main import execute
from wavewright.errors import Misuse
from wavewright.logbook.studies.gauge import gauge_study

# Automotive Industry Action Group, Measurement Systems Analysis, chapter III: ten parts, three appraisers, three
# trials. Data and results from memory, not verified; that these data give these results is what the test shows.
A = """0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36
       0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
       0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31"""
B = """0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
       0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62
       0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50"""
C = """0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
       -0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
       -0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16"""
READINGS = np.array([np.array(text.split(), dtype=float).reshape(3, 10) for text in (A, B, C)]).transpose(2, 0, 1)


def test_analysis_of_variance_of_the_published_example() -> None:
    units, operators, interaction, repeatability = gauge_study(READINGS).table
    assert (units.degrees, operators.degrees, interaction.degrees, repeatability.degrees) == (9, 2, 18, 60)
    assert units.sum_of_squares == pytest.approx(88.3619, abs=1e-3)
    assert operators.sum_of_squares == pytest.approx(3.1673, abs=1e-3)
    assert interaction.sum_of_squares == pytest.approx(0.3590, abs=1e-3)
    assert repeatability.sum_of_squares == pytest.approx(2.7589, abs=1e-3)
    assert interaction.f == pytest.approx(0.434, abs=1e-3)


def test_components_of_the_published_example() -> None:
    study = gauge_study(READINGS)
    assert study.interaction_pooled
    assert study.repeatability == pytest.approx(0.199933, abs=1e-5)
    assert study.reproducibility == pytest.approx(0.226838, abs=1e-5)
    assert study.gauge == pytest.approx(0.302373, abs=1e-5)
    assert study.units == pytest.approx(1.042327, abs=1e-5)
    assert study.total == pytest.approx(1.085, abs=1e-3)
    assert study.distinct_categories == 4
    assert study.gauge_share == pytest.approx(0.279, abs=1e-3)


@given(gain=st.floats(1e-3, 1e3), offset=st.floats(-1e3, 1e3))
def test_shares_do_not_depend_on_the_unit(gain: float, offset: float) -> None:
    moved = gauge_study(gain * READINGS + offset)
    assert moved.gauge_share == pytest.approx(gauge_study(READINGS).gauge_share, rel=1e-6)


def test_finds_the_components_that_were_put_in() -> None:
    rng = np.random.default_rng(204)
    shape = (400, 40, 3)
    readings = rng.normal(0, 0.5, shape)  # repeatability
    readings += rng.normal(0, 1.0, (1, 40, 1)) + rng.normal(0, 3.0, (400, 1, 1)) + rng.normal(0, 0.4, (400, 40, 1))
    study = gauge_study(readings, width=60.0)
    assert not study.interaction_pooled
    assert study.repeatability == pytest.approx(0.5, rel=0.02)
    assert study.units == pytest.approx(3.0, rel=0.1)  # 400 units: rel. scatter 1 / sqrt(2 · 399) = 3.5 %
    assert study.reproducibility == pytest.approx(np.hypot(1.0, 0.4), rel=0.35)  # 40 operators: 11 %
    assert study.tolerance_share == pytest.approx(6 * study.gauge / 60.0)


@pytest.mark.parametrize("shape", [(1, 3, 3), (5, 1, 3), (5, 3, 1), (5, 3)])
def test_an_incomplete_study_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(Misuse, match="every one of at least 2 units"):
        gauge_study(np.zeros(shape))


def test_a_missing_trial_is_refused() -> None:
    holed = READINGS.copy()
    holed[3, 1, 2] = np.nan
    with pytest.raises(Misuse, match="complete the study"):
        gauge_study(holed)


def test_readings_without_any_scatter_say_nothing_about_the_gauge() -> None:
    same = np.repeat(np.array([0.1, 0.7, 0.30000000000000004, 1 / 3]), 6).reshape(4, 2, 3)
    study = gauge_study(same)
    assert study.repeatability == study.reproducibility == study.gauge == 0.0
    assert study.distinct_categories is None


def test_a_gauge_study_can_be_rehearsed_on_the_simulated_bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    root = Path(__file__).parents[3]
    line = ["--bench", str(root / "sim/bench_line.yaml"), "--yes", "--logbook", "book.sqlite", "--seed-from-serial"]
    recipe = (root / "recipes" / "rail_ripple.yaml").read_text(encoding="utf-8")
    (tmp_path / "noise.yaml").write_text(recipe.replace("peak_to_peak", "ac_rms"), encoding="utf-8")
    for operator in ("A. Rebe", "B. Amsel"):
        for unit in ("VC204-0002", "VC204-0003"):
            for _ in range(2):
                execute(["run", "noise.yaml", "--serial", unit, "--operator", operator, *line])
    capsys.readouterr()
    assert execute(["study", "gauge", "rail_noise.ripple", "--logbook", "book.sqlite", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["repeatability"] > 0
    assert found["distinct_categories"] is not None
    for operator in ("A. Rebe", "B. Amsel"):
        for unit in ("VC204-0002", "VC204-0003"):
            for _ in range(2):
                same = ["--seed", "7", "--logbook", "same.sqlite"]
                execute(["run", "noise.yaml", "--serial", unit, "--operator", operator, *line[:3], *same])
    capsys.readouterr()
    assert execute(["study", "gauge", "rail_noise.ripple", "--logbook", "same.sqlite"]) == 0
    told = capsys.readouterr().out
    assert "no variation: every trial of a unit gave the same value" in told
    assert "less than a code of the digitizer: choose a smaller `range`" in told
