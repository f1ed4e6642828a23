"""Budgets of what is counted and of what is compared: exact where it is, and common errors leave each other."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

import wavewright as ww
from wavewright.analysis.doubts import Doubt
from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.logbook.outcome_files import outcome_as_json, outcome_from_json
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.reporting.budget_table import budget_as_json, budget_lines
from wavewright.running.evaluation import evaluate
from wavewright.running.input_accuracy import accuracy_facts
from wavewright.running.outcome import Outcome
from wavewright.running.result import Result
from wavewright.running.stored_waveforms import ReferenceWaveforms
from wavewright.waveform import Capture, Waveform

RunText = Callable[..., Outcome]
ROOT3 = math.sqrt(3)
STATED = ww.Accuracy(gain="2 %", offset="20 mV", timebase="10 ppm", skew="1 ns", noise_floor="0.5 mV")
RECIPE = """
wavewright: 1
title: before and after
measurements:
  before:
    channels: {line: {input: 1, range: 8 V, offset: 0 V}}
    timebase: {span: 2 ms, rate: 1 MHz}
    trigger: {mode: auto, on: line, edge: rising, level: 0 V}
    compute: {mean: {of: line}}
  after:
    channels: {line: {input: INPUT, range: 8 V, offset: 0 V}}
    timebase: {span: 2 ms, rate: 1 MHz}
    trigger: {mode: auto, on: line, edge: rising, level: 0 V}
    compare:
      change: {of: line, with: before, metrics: [frequency, rising_edges, maximum]}
"""


def capture(amplitude: float, *, level: float = 1.0, number: int = 1, jitter: float | None = 2e-9) -> Capture:
    """A sine of 5 kHz with a little noise, through an input of which the accuracy is known."""
    draw = np.random.default_rng(int(1000 * amplitude))
    volts = level + amplitude * np.sin(2 * np.pi * 5e3 * 1e-6 * np.arange(2000))
    codes = np.round((volts + draw.normal(0, 1e-3, volts.size)) / 0.001).astype(np.int16)
    wave = Waveform(codes, gain=0.001, interval=1e-6, name="line", code_range=(-4096, 4095))
    facts = accuracy_facts(f"input{number}", STATED.at("digitizer", f"input{number}"), full_scale=8.192)
    known = {} if jitter is None else {f"input{number}.trigger_jitter": jitter}
    return Capture({"line": wave}, settings={**facts, **known, f"input{number}.bandwidth": 1e8})


def compared(*, number: int = 1, jitter: float | None = 2e-9) -> dict[str, Reading]:
    recipe = parse_recipe(RECIPE.replace("INPUT", str(number)), "compare.yaml")
    return _compared(recipe, capture(2.0), capture(2.2, level=1.1, number=number, jitter=jitter))


def _compared(recipe: Recipe, before: Capture, after: Capture) -> dict[str, Reading]:
    references = ReferenceWaveforms(recipe)
    first, second = recipe.measurements
    evaluate(first, [before], references=references)
    results = evaluate(second, [after], references=references)
    return {one.name.removeprefix("change."): one.reading for one in results}


def budget_of(reading: Reading) -> Budget:
    assert reading.budget is not None
    return reading.budget


def part(reading: Reading, word: str) -> float:
    return math.hypot(*(one.standard for one in budget_of(reading).contributions if one.name.startswith(word)))


def test_what_one_input_does_to_both_records_leaves_their_difference() -> None:
    found = compared()
    assert all(budget_of(one).is_complete for one in found.values()), [one.budget for one in found.values()]
    # the difference of the means is 0.1 V: 2 % of that, and nothing of the offset; that of the highest is 0.3 V
    assert part(found["offset"], "gain") == pytest.approx(0.02 * 0.1 / ROOT3, rel=0.01)
    assert part(found["change_of_maximum"], "gain") == pytest.approx(0.02 * 0.3 / ROOT3, rel=0.02)
    for name in ("offset", "change_of_maximum", "rms"):
        assert part(found[name], "offset") == pytest.approx(0.0, abs=1e-9)
    # a ratio of amplitudes knows no gain that both have, and 2 % of what differs is left in the rms of the difference
    assert part(found["gain"], "gain") == pytest.approx(0.0, abs=1e-6)
    assert part(found["rms"], "gain") == pytest.approx(0.02 * found["rms"].value / ROOT3, rel=0.01)
    # the clock is one for both
    assert part(found["change_of_frequency"], "time base") == pytest.approx(0.0, abs=1e-3)


def test_two_inputs_have_errors_of_their_own() -> None:
    found = compared(number=2)
    assert part(found["offset"], "gain") == pytest.approx(0.02 * math.hypot(1.0, 1.1) / ROOT3, rel=0.01)
    assert part(found["offset"], "offset") == pytest.approx(math.sqrt(2) * 0.02 / ROOT3, rel=0.01)
    assert part(found["gain"], "gain") == pytest.approx(math.sqrt(2) * 0.02 * 1.1 / ROOT3, rel=0.01)


def test_a_delay_between_two_shots_has_the_jitter_of_both_triggers() -> None:
    found = compared()
    assert part(found["delay"], "place of the trigger") == pytest.approx(math.sqrt(2) * 2e-9, rel=0.01)
    unknown = compared(jitter=None)
    assert "place of the trigger in the two records" in budget_of(unknown["delay"]).missing


def test_the_interval_of_a_difference_holds_the_true_one() -> None:
    """20 pairs through one input with errors drawn from what is stated: the difference of the means is 0.1 V."""
    draw, held = np.random.default_rng(11), 0
    recipe = parse_recipe(RECIPE.replace("INPUT", "1"), "compare.yaml")
    rounds = 20
    for _ in range(rounds):
        gain, offset = 1 + draw.uniform(-0.02, 0.02), draw.uniform(-0.02, 0.02)
        pair = [
            _with_errors(one, gain=gain, offset=offset + draw.normal(0, 1e-5))
            for one in (capture(2.0), capture(2.2, level=1.1))
        ]
        low, high = budget_of(_compared(recipe, *pair)["offset"]).interval()
        held += low <= 0.1 <= high
    assert held >= 17  # binomial: 95 % of 20 is less than 17 in 1.6 % of all tries; the draws are fixed


def _with_errors(shot: Capture, *, gain: float, offset: float) -> Capture:
    wave = shot["line"]
    return replace(shot, waveforms={"line": replace(wave, gain=wave.gain * gain, offset=offset)})


def test_a_change_of_a_number_of_things_is_exact_where_both_numbers_are() -> None:
    edges = compared()["change_of_rising_edges"]
    assert edges.value == 0.0
    assert (budget_of(edges).standard, budget_of(edges).is_complete) == (0.0, True)
    assert "counted again" in budget_of(edges).exact


LINE = """
wavewright: 1
title: a telegram whose low level is close to the threshold
measurements:
  line:
    channels: {tx: {input: 1, range: 8 V, offset: 0 V}}
    timebase: {span: 20 ms, rate: 1 MHz}
    trigger: {mode: auto, on: tx, edge: falling, level: 1.6 V}
    decode: {port: {bus: uart, tx: tx, baud: 9600, levels: LEVELS}}
    expect: {port: {holds: "55"}}
    compute:
      frames: {metric: frames, of: port, limit: exactly 3}
"""


def telegram(low: float) -> Capture:
    """Three times 55 hex, 8N1 at 9600 baud, at 1 µs; the lines of a start bit and of eight data bits, then high."""
    bits = [1] * 5 + 3 * ([0] + [(0x55 >> place) & 1 for place in range(8)] + [1] * 6) + [1] * 5
    samples = np.repeat(np.where(np.array(bits) > 0, 3.3, low), 104)
    wave = Waveform(
        np.round(samples / 0.001).astype(np.int16), gain=0.001, interval=1e-6, name="tx", code_range=(-4096, 4095)
    )
    facts = accuracy_facts("input1", STATED.at("digitizer", "input1"), full_scale=8.192)
    return Capture({"tx": wave}, settings=facts)


def result_of(low: float, levels: str, name: str) -> Result:
    recipe = parse_recipe(LINE.replace("LEVELS", levels), "line.yaml")
    results = evaluate(recipe.measurements[0], [telegram(low)])
    return next(one for one in results if one.name == name)


@pytest.mark.parametrize("name", ["frames", "expect.port"])
def test_frames_far_from_the_threshold_are_exact(name: str) -> None:
    result = result_of(0.1, "1.55 V / 1.65 V", name)
    budget = budget_of(result.reading)
    assert (result.verdict, budget.standard, budget.missing) == ("pass", 0.0, ())
    assert "counted again" in budget.exact


@pytest.mark.parametrize("name", ["frames", "expect.port"])
def test_frames_at_the_threshold_are_in_doubt(name: str) -> None:
    # low is 1.53 V, the threshold between 1.55 V and 1.65 V: 2 % and 20 mV more, and the line is never low
    result = result_of(1.53, "1.55 V / 1.65 V", name)
    assert result.verdict == "inconclusive"
    assert Doubt.DEPENDS_ON_ACCURACY in result.reading.doubts
    assert not budget_of(result.reading).exact


PERSISTED = """
wavewright: 1
title: pulses laid over each other
measurements:
  line:
    channels: {line: {input: 1, range: 8 V, offset: 0 V}}
    timebase: {span: 2 ms, rate: 1 MHz}
    trigger: {mode: auto, on: line, edge: rising, level: 0 V}
    shots: 40
    persistence:
      columns: 100
      rows: 32
      rare: 30
      rare_shots: exactly 0
      mask: {polygons: [[[0 s, TOP], [0 s, 5 V], [1 ms, 5 V], [1 ms, TOP]]]}
      violations: exactly 0
"""


@pytest.mark.parametrize("top, verdict", [("3.5 V", "pass"), ("3.02 V", "inconclusive"), ("2.9 V", "fail")])
def test_a_mask_is_tried_again_at_the_ends_of_the_accuracy(top: str, verdict: str) -> None:
    # the sine reaches 3 V, and may reach 3.08 V: 2 % and 20 mV more
    recipe = parse_recipe(PERSISTED.replace("TOP", top), "persisted.yaml")
    found = {one.name: one for one in evaluate(recipe.measurements[0], [capture(2.0)] * 40)}
    assert found["violations"].verdict == verdict, found["violations"].reason
    rare = budget_of(found["rare_shots"].reading)
    assert (rare.standard, rare.is_complete, bool(rare.exact)) == (0.0, True, True)
    assert rare.rate is not None
    assert (rare.rate.events, rare.rate.trials) == (0, 40)
    told = list(budget_lines(found["rare_shots"].reading))
    assert "0 to 8.81 % of all shots" in told[1].replace("0 %", "0")  # 1 − 0.025^(1/40), Clopper and Pearson
    assert budget_as_json(found["rare_shots"].reading)["rate"]["method"] == "Clopper and Pearson 1934"


def test_reason_and_rate_are_kept_in_the_outcome(run_text: RunText) -> None:
    persisted = "    shots: 3\n    persistence: {columns: 50, rows: 16, rare: 2, rare_shots: at most 2}\n"
    outcome = run_text(
        "wavewright: 1\ntitle: kept\nmeasurements:\n  line:\n    place: Probe 1 on TP3.\n"
        "    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}\n    timebase: {span: 1 ms, points: 1k}\n"
        "    trigger: {mode: auto, level: 1 V}\n" + persisted
    )
    before = outcome.results["line.rare_shots"].reading.budget
    after = outcome_from_json(outcome_as_json(outcome)).results["line.rare_shots"].reading.budget
    assert before == after
    assert before is not None
    assert before.rate is not None


SPI = """
wavewright: 1
title: how long the data are there before the clock takes them
measurements:
  bus:
    channels:
      clock: {input: 1, range: 8 V, offset: 0 V}
      data: {input: 2, range: 8 V, offset: 0 V}
    timebase: {span: 1 ms, rate: 10 MHz}
    trigger: {mode: auto, on: clock, edge: rising, level: 1.65 V}
    decode: {port: {bus: spi, clock: clock, mosi: data, levels: 1.6 V / 1.7 V}}
    compute: {setup: {metric: setup_time, of: port}}
"""


def two_wires() -> Capture:
    """A clock of 10 kHz and data that change 20 µs before it rises; every edge takes 4 µs, at 10 MHz."""
    times = np.arange(10_000) * 0.1e-6

    def trapezoid(first: float, period: float) -> np.ndarray:
        """Up from `first` on in 4 µs, down half a period later."""
        phase = np.mod(times - first, period)
        return 3.3 * np.clip(np.minimum(phase / 4e-6, (period / 2 + 4e-6 - phase) / 4e-6), 0, 1)

    waves, facts = {}, {}
    for number, (name, volts) in enumerate(
        {"clock": trapezoid(50e-6, 100e-6), "data": trapezoid(30e-6, 200e-6)}.items(), 1
    ):
        codes = np.round(volts / 0.001).astype(np.int16)
        waves[name] = Waveform(codes, gain=0.001, interval=0.1e-6, name=name, code_range=(-4096, 4095))
        facts |= accuracy_facts(f"input{number}", STATED.at("digitizer", f"input{number}"), full_scale=8.192)
    return Capture(waves, settings=facts)


def test_a_time_between_two_wires_has_clock_skew_and_thresholds() -> None:
    (result,) = evaluate(parse_recipe(SPI, "spi.yaml").measurements[0], [two_wires()])
    reading = result.reading
    assert reading.value == pytest.approx(20e-6, rel=0.2)
    assert budget_of(reading).is_complete
    assert part(reading, "time base") == pytest.approx(1e-5 * reading.value / ROOT3, rel=0.05)
    assert part(reading, "skew between") == pytest.approx(1e-9 / ROOT3, rel=0.01)
    # math: a threshold that is 20 mV off is crossed 20 mV · 4 µs / 3.3 V later
    slope = 4e-6 / 3.3
    assert part(reading, "offset of `clock`") == pytest.approx(0.02 * slope / ROOT3, rel=0.05)
    # the shortest of rising and falling data is shorter whichever way the data are off: all of it is curvature
    assert part(reading, "offset of `data`") == pytest.approx(math.sqrt(2) * 0.02 * slope / ROOT3, rel=0.05)
    assert part(reading, "gain of `clock`") == pytest.approx(0.02 * 1.65 * slope / ROOT3, rel=0.05)
