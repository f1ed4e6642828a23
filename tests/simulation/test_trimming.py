"""A simulated probe that is not adjusted, seen by the metric through the whole digitizer."""

from __future__ import annotations

from pathlib import Path

import pytest

import wavewright as ww
from tests.instruments.test_corrections import bench_in
from wavewright.errors import FileFault, Misuse
from wavewright.instruments.bench_file import load_bench
from wavewright.simulation.files import check_simulation

RECIPE = Path(__file__).parents[2] / "recipes/adjust_probe.yaml"


def bench_with(folder: Path, trimming: str) -> Path:
    path = bench_in(folder, None)
    path.write_text(path.read_text().replace("seed: 204}", f"seed: 204, trimming: {trimming}}}"))
    return path


@pytest.mark.parametrize("trim, verdict", [("-8 %", "fail"), ("-0.4 %", "pass"), ("0.5 %", "pass"), ("6 %", "fail")])
def test_a_probe_is_told_to_be_over_or_under_compensated_and_by_how_much(
    trim: str, verdict: str, tmp_path: Path
) -> None:
    outcome = ww.run(RECIPE, bench=bench_with(tmp_path, f'{{1: "{trim}"}}'), draw=3, out=None)
    reading = outcome["flatness.compensation"]
    # the truth is what the simulated probe was given; half a code of 4 V / 256 is 0.4 % of the step of 2 V
    assert reading.value == pytest.approx(float(trim.removesuffix(" %")) / 100, abs=4e-3)
    assert outcome.verdict == verdict


@pytest.mark.parametrize("trimming", ["-8 %", "{1: 300 %}", "{one: 5 %}", "{1: lots}"])
def test_a_trimming_that_makes_no_sense_is_told(trimming: str, tmp_path: Path) -> None:
    with pytest.raises((FileFault, Misuse)):
        check_simulation(load_bench(bench_with(tmp_path, trimming)))
