"""How many query messages a shot costs, counted where they arrive: at the tests' own instruments, on real sockets.

A message of several queries (IEEE 488.2-1992, 7.3; from memory, not verified) is one. What a set-up and a whole recipe
cost is counted in `test_run`, at the sessions of the simulated bench.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.running.test_read_back import RECIPE, Instruments, only
from wavewright.judgement.verdict import Verdict

MOST_PER_SHOT = 3
MANY = 10_000 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 256
ALONE = """
wavewright: 1
title: One input
measurements:
  all:
    channels: {line: {input: 1, range: 4 V}}
    timebase: {span: 2 ms, points: 50}
    trigger: {mode: auto, level: 0 V}
    compute: {swing: {metric: peak_to_peak, limit: at most 3 V}}
"""
NEVER = """    decode: {talk: {bus: uart, tx: line, baud: 1200}}
    keep_if: {talk: {holds: "22"}, within: SHOTS shots}
"""


def queries(folder: Path, text: str, verdict: Verdict) -> dict[str, int]:
    """Messages with a query that came to each instrument."""
    folder.mkdir()
    ours = Instruments()
    assert only(ours.run(folder, text)).verdict is verdict
    return {name: device.queries for name, device in ours.by_name.items()}


@pytest.mark.parametrize("shots", [10, 50])
def test_a_further_shot_costs_three_queries(tmp_path: Path, shots: int) -> None:
    one, more = (
        queries(tmp_path / f"{count}", ALONE.replace("    compute", f"    shots: {count}\n    compute"), Verdict.PASS)
        for count in (1, 1 + shots)
    )
    assert one["digitizer"] > MOST_PER_SHOT
    assert more["digitizer"] - one["digitizer"] == MOST_PER_SHOT * shots
    assert {name for name in more if more[name]} == {"digitizer"}


def test_a_reading_costs_one_query_of_the_supply_and_two_of_the_meter(tmp_path: Path) -> None:
    few, more = (
        queries(tmp_path / f"{count}", RECIPE.replace("shots: 2", f"shots: {count}"), Verdict.PASS) for count in (4, 12)
    )
    assert more["digitizer"] - few["digitizer"] == MOST_PER_SHOT * 8
    # whether it was switched off and on is asked after the 8th shot once more
    assert more["source"] - few["source"] == 1
    assert more["supply"] - few["supply"] == 8 + 1
    assert more["meter"] - few["meter"] == 2 * 8 + 1  # it is set before each, for there may be several quantities


def test_shots_that_are_not_kept_cost_no_more(tmp_path: Path) -> None:
    few, many = 16, MANY
    text = ALONE.replace("peak_to_peak", "peak_to_peak, of: line") + NEVER
    asked = [
        queries(tmp_path / f"{count}", text.replace("SHOTS", f"{count}"), Verdict.ERROR)["digitizer"]
        for count in (few, many)
    ]
    assert asked[1] - asked[0] == MOST_PER_SHOT * (many - few)


SWITCHED = """
wavewright: 1
title: A stimulus for each shot
measurements:
  all:
    channels: {line: {input: 1, range: 4 V}}
    timebase: {span: 2 ms, points: 50, before_trigger: 400 us}
    trigger: {mode: normal, on: line, edge: rising, level: 0 V}
    shots: SHOTS
    stimulus: [STEP]
    compute: {swing: {metric: peak_to_peak, limit: at most 3 V}}
"""
STEPS = {
    # off, confirmed; its levels, read back; on, read back; and after the shot, whether it still is
    "supply": ("{supply: {voltage: 12 V, current_limit: 1 A, output: on}}", 4),
    # its settings read back; on, read back; and after the shot, whether it still is
    "source": ("{source: {function: sine, frequency: 2 kHz, amplitude: 4 V, offset: 1 V}}", 3),
}


@pytest.mark.parametrize("name", STEPS)
def test_a_stimulus_costs_one_query_of_the_digitizer_and_one_of_what_is_switched(tmp_path: Path, name: str) -> None:
    step, most = STEPS[name]
    few, more = (
        queries(tmp_path / f"{count}", SWITCHED.replace("SHOTS", f"{count}").replace("STEP", step), Verdict.PASS)
        for count in (1, 7)
    )
    assert more["digitizer"] - few["digitizer"] == (MOST_PER_SHOT + 1) * 6
    assert more[name] - few[name] == most * 6
