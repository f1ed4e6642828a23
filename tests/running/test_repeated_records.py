"""A digitizer that has stopped taking records, and answers as if it had not: never a pass.

The instruments are the tests' own, on real sockets, and speak SCPI-99; nothing of the simulation is in them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.instruments.spoken import ScpiDigitizer, bench_of
from wavewright.analysis.reading import Doubt
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import parse_recipe
from wavewright.running.result import Result
from wavewright.running.run import run

RECIPE = """
wavewright: 1
title: A line that is looked at
measurements:
  swing:
    channels: {line: {input: 1, range: 4 V}}
    timebase: {span: 2 ms, points: 2k}
    trigger: {mode: auto, level: 0 V}
    shots: 3
    derived: {twice: "2 * line"}
    decode: {bits: {bus: uart, tx: twice, baud: 9600}}
    compute:
      pp: {metric: peak_to_peak, of: line, limit: 2 V ± 10 %}
      of_derived: {metric: peak_to_peak, of: twice, limit: 4 V ± 10 %}
      errors: {metric: frame_errors, of: bits, limit: at most 1000}
"""


def results_of(digitizer: ScpiDigitizer, folder: Path, text: str) -> list[Result]:
    with bench_of(folder, {"digitizer": digitizer}) as bench:
        outcome = run(parse_recipe(text, "swing.yaml"), bench, pause=lambda seconds: None)
    return [result for measurement in outcome.measurements for result in measurement.results]


@pytest.fixture
def digitizer() -> ScpiDigitizer:
    return ScpiDigitizer()


def test_new_records_pass(tmp_path: Path, digitizer: ScpiDigitizer) -> None:
    swing, of_derived, _ = results_of(digitizer, tmp_path, RECIPE)
    for result in (swing, of_derived):
        assert result.verdict is Verdict.PASS
        assert Doubt.REPEATED_RECORD not in result.reading.doubts


def test_shots_of_one_record_do_not(tmp_path: Path, digitizer: ScpiDigitizer) -> None:
    digitizer.is_frozen = True
    for result in results_of(digitizer, tmp_path, RECIPE):
        assert result.verdict is Verdict.INCONCLUSIVE, result.name
        assert Doubt.REPEATED_RECORD in result.reading.doubts


def test_nor_does_a_single_shot_that_is_the_record_of_the_set_up_before(
    tmp_path: Path, digitizer: ScpiDigitizer
) -> None:
    one = RECIPE.replace("shots: 3", "shots: 1").partition("    derived:")[0]
    judged = "    compute: {pp: {metric: peak_to_peak, of: line, limit: at most 3.9 V}}\n"
    later = (
        f"{one}{judged}".partition("measurements:\n")[2].replace("swing:", "again:").replace("range: 4 V", "range: 8 V")
    )
    text = f"{one}{judged}{later}"
    # given a digitizer that brings the record of the first set-up in the second one too
    digitizer.is_frozen, digitizer.twists["SENSe1:VOLTage:RANGe:PTPeak"] = True, lambda _: "4"
    first, second = results_of(digitizer, tmp_path, text)
    assert first.verdict is Verdict.PASS
    assert (second.verdict, second.reading.doubts) == (Verdict.INCONCLUSIVE, (Doubt.REPEATED_RECORD,))
