"""The simulated digitizer, slow to arm or triggered by interference: all of a burst is measured, or nothing is.

Forty periods of the coil's drive follow the stimulus. Who is armed when some have gone by counts fewer, and what is
counted then depends on when that was.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.running.conftest import ROOT
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.judgement.verdict import Verdict
from wavewright.running.outcome import Outcome

PERIODS, SHOTS = 40, 3
RECIPE = f"""
wavewright: 1
title: All pulses of a burst
measurements:
  pulses:
    place: Probe 1 on TP4.
    channels: {{drive: {{input: 1, range: 40 V, offset: 12 V}}}}
    timebase: {{span: 60 ms, before_trigger: 500 us, points: 60k}}
    trigger: {{mode: normal, edge: rising, level: 12 V, timeout: 1 s}}
    shots: {SHOTS}
    stimulus:
      - {{supply: {{voltage: 24 V, current_limit: 1 A, output: on}}, then_wait: 50 ms}}
      - source: {{function: pulse, frequency: 1 kHz, duty_factor: 40 %, high: 3.3 V, low: 0 V,
          burst: {{cycles: {PERIODS}}}}}
    compute:
      pulses: {{limit: exactly {PERIODS}}}
"""
SLOW = "fault: slow to arm, at: '^INIT', by: "
UNSAID = 'acquire: {armed: {ask: ""}}'
SHORTLY = 'acquire: {armed: {ask: "STATus:OPERation:CONDition?", mask: 96, equals: 32, within: 100 ms}}'


def bench_with(folder: Path, fault: str, profile: str) -> BenchFile:
    """The shipped bench with a fault of its digitizer, and its profile with something else in it."""
    (folder / "faults.yaml").write_text(
        f"wavewright-faults: 1\nfaults:\n  it: {{instrument: digitizer, {fault}}}\n", encoding="utf-8"
    )
    (folder / "own.yaml").write_text(
        f"wavewright-profile: 1\nname: own\nextends: scpi-digitizer\n{profile}\n", encoding="utf-8"
    )
    text = (ROOT / "sim/bench.yaml").read_text(encoding="utf-8").replace("profile: scpi-digitizer", "profile: own.yaml")
    text = text.replace('"instruments.yaml@sim"', f'"{(ROOT / "sim/instruments.yaml").as_posix()}@sim"')
    text = text.replace("board: vc204.yaml", f"board: {(ROOT / 'sim/vc204.yaml').as_posix()}, faults: faults.yaml")
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    return load_bench(folder / "bench.yaml")


def counts(outcome: Outcome) -> list[float | None]:
    return [shot.value for shot in outcome.results["pulses.pulses"].shots]


@pytest.mark.parametrize("by", ["5 ms", "30 ms", "300 ms"])
def test_a_digitizer_that_is_slow_to_arm_counts_every_pulse(
    tmp_path: Path, run_text: Callable[..., Outcome], by: str
) -> None:
    outcome = run_text(RECIPE, on=bench_with(tmp_path, SLOW + by, ""), seed=204)
    assert outcome.verdict is Verdict.PASS
    assert counts(outcome) == [PERIODS] * SHOTS


def test_one_that_is_not_asked_counts_what_is_left(tmp_path: Path, run_text: Callable[..., Outcome]) -> None:
    outcome = run_text(RECIPE, on=bench_with(tmp_path, SLOW + "30 ms", UNSAID), seed=204)
    assert all(count is not None and 0 < count < PERIODS for count in counts(outcome))


@pytest.mark.parametrize("fault", ["fault: noisy trigger, at: '^INIT', within: 100 us", f"{SLOW}3600 s"])
def test_one_that_does_not_wait_gives_no_count(tmp_path: Path, run_text: Callable[..., Outcome], fault: str) -> None:
    outcome = run_text(RECIPE, on=bench_with(tmp_path, fault, SHORTLY), seed=204)
    assert outcome.verdict is Verdict.ERROR
    assert not outcome.results
    assert "it does not wait for the trigger" in outcome.measurements[0].error
