"""The same results, to the last bit, and the same faults, on however many cores shots are evaluated."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.measure import measure_surveys
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.errors import StorageFault
from wavewright.logbook.outcome_files import measurement_as_json
from wavewright.recipe.load import parse_recipe
from wavewright.running import companions, crew, evaluation, shot_findings, shots_ahead
from wavewright.running.crew import side_by_side
from wavewright.running.evaluation import evaluate
from wavewright.running.input_accuracy import accuracy_facts
from wavewright.running.result import MeasurementOutcome
from wavewright.running.shot_findings import findings_in
from wavewright.simulation.encoders.drawing import voltage_at
from wavewright.simulation.encoders.uart import uart_line
from wavewright.waveform import Capture, Waveform

RATE, BAUD = 1e6, 20_000.0
MEASUREMENT = """
wavewright: 1
title: four signals and one that is derived
measurements:
  all:
    channels:
      drive: {input: 1, range: 8 V}
      copy: {input: 2, range: 8 V}
      line: {input: 3, range: 8 V}
      rail: {input: 4, range: 8 V}
    derived: {twice: "rail * 2"}
    timebase: {span: 4 ms, rate: 1 MHz}
    trigger: {mode: auto, on: drive, edge: rising, level: 1 V}
    shots: 3
    decode: {console: {bus: uart, tx: line, baud: 20 kBd}}
    expect: {console: {find: "data = 0x56"}}
    compute:
      period: {of: drive, limit: 200 us ± 1 %}
      late: {metric: delay, of: [drive, copy]}
      rise_time: {of: copy}
      ripple: {metric: peak_to_peak, of: rail, limit: at most 1 mV}
      wave: {metric: frequency, of: twice}
      said: {metric: frames, of: console}
      overshoot: {of: drive}
      threshold: {metric: frequency, of: rail}
"""
COUNTED = f"{MEASUREMENT}    persistence: {{of: drive}}\n"
STATED = accuracy_facts(
    "input1",
    Accuracy(gain="1 %", offset="1 mV", timebase="10 ppm", nonlinearity="0.2 % of range", noise_floor="1 mV"),
    full_scale=8.0,
)


def shot(seed: int, *, samples: int = 4000, without: str = "") -> Capture:
    """Two square waves, characters on a line, and a rail that now and then does nothing at all."""
    random = np.random.default_rng(seed)
    times = np.arange(samples) / RATE
    square = np.where((times * 5e3) % 1 < 0.4, 3.3, 0.0)
    volts = {
        "drive": square,
        "copy": np.roll(square, int(random.integers(1, 20))),
        "line": voltage_at(times, uart_line(b"VC", baud=BAUD, start=3e-4), low=0.0, high=3.3),
        "rail": 3.3 + 1e-2 * np.sin(2 * np.pi * 2e3 * times) * int(random.integers(0, 2)),
    }
    waves = {
        name: Waveform(
            np.round((one + random.normal(0, 0.02, samples)) / 0.04).astype(np.int8),
            gain=0.04, interval=1 / RATE, name=name, code_range=(-128.0, 127.0),
        )
        for name, one in volts.items() if name != without
    }  # fmt: skip
    return Capture(waves, settings=STATED)


def found(captures: Sequence[Capture], *, cores: int, recipe: str = MEASUREMENT) -> str:
    """All results as they are kept, each number by its shortest digits that say it exactly."""
    measurement = parse_recipe(recipe, "all.yaml").measurements[0]
    results = evaluate(measurement, captures, cores=cores)
    outcome = MeasurementOutcome("all", {}, "", shots=len(captures), results=results)
    return json.dumps(measurement_as_json(outcome), sort_keys=True, ensure_ascii=False)


@pytest.fixture
def always(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Threads for records of any length; the list says how many parts each shot had."""
    parts: list[int] = []
    real = side_by_side

    def counted(tasks: Any, wanted: Any, **options: Any) -> Any:
        parts.append(len(wanted))
        return real(tasks, wanted, **options)

    monkeypatch.setattr(shot_findings, "LONG", 1)
    monkeypatch.setattr(shot_findings, "side_by_side", counted)
    return parts


@settings(max_examples=4, deadline=None)
@given(seeds=st.lists(st.integers(0, 1 << 16), min_size=1, max_size=2))
def test_channels_are_evaluated_alike_on_one_two_and_three_cores(seeds: list[int]) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(shot_findings, "LONG", 1)
        shots = [shot(seed) for seed in seeds]
        alone = found(shots, cores=1)
        assert found(shots, cores=2) == alone
        assert found(shots, cores=3) == alone


def test_what_needs_a_channel_in_common_is_one_part(always: list[int]) -> None:
    found([shot(1)], cores=2)
    # drive with its copy, which a delay joins; the line with what is expected of it; the rail with what is derived
    assert always == [3]


def test_short_records_are_evaluated_by_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crew, "threading", None)  # whoever starts a thread fails
    assert found([shot(1)], cores=3) == found([shot(1)], cores=1)


@pytest.fixture(params=["copy", "interpreter"])
def processes(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Several processes for any work, started in each way."""
    monkeypatch.setattr(shots_ahead, "WORTH", 0.0)
    monkeypatch.setattr(shots_ahead, "WORTH_A_COPY", 0.0)
    for module in (shots_ahead, companions):
        monkeypatch.setattr(module, "can_split", lambda: request.param == "copy")


def test_shots_are_evaluated_alike_by_one_process_and_by_two(processes: None, monkeypatch: pytest.MonkeyPatch) -> None:
    shots = [shot(seed) for seed in range(4)]
    alone = found(shots, cores=1)
    here: list[int] = []
    real = findings_in

    def counted(*shot: Any, **options: Any) -> Any:
        here.append(1)
        return real(*shot, **options)

    monkeypatch.setattr(shot_findings, "findings_in", counted)
    monkeypatch.setattr(evaluation, "findings_in", counted)
    monkeypatch.setattr(shots_ahead, "MOST_AHEAD", 0)  # this process waits for the others
    assert found(shots, cores=2) == alone
    assert len(here) == 1  # the first shot


@pytest.mark.parametrize("processes", ["copy"], indirect=True)
def test_shots_whose_records_are_counted_are_evaluated_alike(processes: None) -> None:
    shots = [shot(seed) for seed in range(5)]
    assert found(shots, cores=3, recipe=COUNTED) == found(shots, cores=1, recipe=COUNTED)


@pytest.mark.parametrize("cores", [1, 2, 3])
def test_a_channel_that_is_lacking_is_the_same_fault(cores: int, always: list[int]) -> None:
    # the rail comes third: before it, nothing fails, and after it the line would
    lacking = Capture({name: shot(1)[name] for name in ("drive", "copy")}, settings=STATED)
    with pytest.raises(StorageFault, match=r"^the captures of `all` have no channel `rail`"):
        found([shot(0), lacking], cores=cores)


@pytest.mark.parametrize("processes", ["copy"], indirect=True)
def test_a_channel_that_is_lacking_in_one_shot_is_the_same_fault_with_processes(processes: None) -> None:
    shots = [shot(0), shot(1), shot(2, without="line"), shot(3, without="drive")]
    with pytest.raises(StorageFault, match=r"^the captures of `all` have no channel `line`"):
        found(shots, cores=2)


@pytest.mark.parametrize("cores", [1, 2, 3])
def test_a_metric_that_fails_is_the_same_fault(cores: int, always: list[int], monkeypatch: pytest.MonkeyPatch) -> None:
    real = measure_surveys

    def spoilt(surveys: Any, metric: Any, *rest: Any, **options: Any) -> Any:
        if metric is METRICS.find("peak_to_peak"):
            raise ArithmeticError("of the rail")
        if metric is METRICS.find("overshoot"):
            raise ArithmeticError("of the drive")
        return real(surveys, metric, *rest, **options)

    monkeypatch.setattr(shot_findings, "measure_surveys", spoilt)
    with pytest.raises(ArithmeticError, match="of the rail"):
        found([shot(1)], cores=cores)
