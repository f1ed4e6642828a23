from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.running.conftest import ROOT
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.judgement.verdict import Verdict
from wavewright.running.outcome import Outcome

RECIPE = """
wavewright: 1
title: Cross-check
CROSS
measurements:
  rail_level:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, range: 8 V, offset: 2 V, probe: 10x}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: auto, level: 3 V}
    compute: {mean: {limit: 3.3 V ± 5 %}, maximum: {}, ac_rms: {}}
"""
# The simulated digitizer has no values of its own. Of what it answers, its range, 0.8 V at the connector, and its
# identity stand in for a value and for an answer that is none.
PROFILE = """
wavewright-profile: 1
name: with-own-values
extends: scpi-digitizer
own_values:
  mean: {ask: "SENSe{input}:VOLTage:RANGe:PTPeak?"}
  maximum: {ask: "*IDN?"}
"""


@pytest.fixture
def bench(tmp_path: Path) -> BenchFile:
    (tmp_path / "own.yaml").write_text(PROFILE)
    text = (ROOT / "sim/bench.yaml").read_text().replace("profile: scpi-digitizer", "profile: own.yaml")
    text = text.replace('"instruments.yaml@sim"', f'"{ROOT / "sim/instruments.yaml"}@sim"')
    (tmp_path / "bench.yaml").write_text(text.replace("vc204.yaml", str(ROOT / "sim/vc204.yaml")))
    return load_bench(tmp_path / "bench.yaml")


def test_the_instruments_own_value_stands_beside_ours_and_changes_no_verdict(
    bench: BenchFile, run_text: Callable[..., Outcome]
) -> None:
    outcome = run_text(RECIPE.replace("CROSS", "cross_check: true"), on=bench)
    by_name = {check.name: check for check in outcome.measurements[0].cross_checks}
    assert set(by_name) == {"mean", "maximum"}  # the profile does not know how to ask for ac_rms
    mean = by_name["mean"]
    assert mean.ours == pytest.approx(3.3, rel=0.03)
    assert mean.theirs == pytest.approx(0.8)
    assert mean.difference == pytest.approx(0.8 - (mean.ours or 0.0))
    assert outcome.verdict is Verdict.PASS


def test_an_answer_that_is_no_number_is_a_remark_and_the_run_goes_on(
    bench: BenchFile, run_text: Callable[..., Outcome]
) -> None:
    outcome = run_text(RECIPE.replace("CROSS", "cross_check: true"), on=bench)
    (maximum,) = (check for check in outcome.measurements[0].cross_checks if check.name == "maximum")
    assert (maximum.theirs, maximum.difference) == (None, None)
    assert "Wavewright,Simulated digitizer" in maximum.remark
    assert outcome.error == ""


def test_without_the_wish_nothing_is_asked(bench: BenchFile, run_text: Callable[..., Outcome]) -> None:
    assert run_text(RECIPE.replace("CROSS\n", ""), on=bench).measurements[0].cross_checks == ()
    assert run_text(RECIPE.replace("CROSS\n", ""), on=bench, cross_check=True).measurements[0].cross_checks
