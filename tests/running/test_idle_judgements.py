"""Limits and masks that nothing in the record can break: the run is inconclusive, and a twin that can fail passes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from wavewright.analysis.doubts import Doubt
from wavewright.errors import BenchFault
from wavewright.instruments.bench_file import BenchFile
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import parse_recipe
from wavewright.running.evaluation import evaluate
from wavewright.running.outcome import Outcome
from wavewright.running.run import prepare
from wavewright.running.stored_waveforms import ReferenceWaveforms
from wavewright.waveform import Capture, Waveform

HEAD = "wavewright: 1\ntitle: t\nmeasurements:\n"
CLOCK = "channels: {s: {input: 4, range: 4 V, offset: 1.65 V}}\n    timebase: {span: 40 us, rate: 250 MHz}"
TRIGGER = "trigger: {mode: auto, edge: rising, level: 1.65 V}"
Run = Callable[..., Outcome]


def compared(limit: str) -> str:
    taken = f"    place: Probe 4 on TP6.\n    {CLOCK}\n    {TRIGGER}\n"
    return f"{HEAD}  first:\n{taken}  second:\n{taken}    compare: {{c: {{with: first, {limit}}}}}\n"


def masked(mask: str, *, channel: str = "range: 8 V, offset: 2 V") -> str:
    return (
        f"{HEAD}  one:\n    place: Probe 1 on TP7.\n    channels: {{s: {{input: 1, {channel}}}}}\n"
        "    timebase: {span: 100 us, rate: 25 MHz}\n    trigger: {mode: normal, edge: rising, level: 1.65 V}\n"
        f"    persistence: {{mask: {{{mask}}}, violations: exactly 0}}\n"
    )


# what is wrong, the recipe, and its twin
IDLE: list[tuple[str, str, str]] = [
    ("kV in place of V", compared("rms: at most 4 kV"), compared("rms: at most 1 V")),
    ("the largest difference", compared("largest: at most 6 V"), compared("largest: at most 2 V")),
    ("the difference of the means", compared("offset: 0 V ± 5 V"), compared("offset: 0 V ± 50 mV")),
    ("all delays that are looked for", compared("delay: 0 s ± 25 us"), compared("delay: 0 s ± 45 ns")),
    ("a mask above the range", masked("polygons: [[[0 s, 7 V], [90 us, 7 V], [90 us, 9 V]]]"),
     masked("polygons: [[[0 s, 4 V], [90 us, 4 V], [90 us, 5 V]]]")),
    ("a mask after the record", masked("polygons: [[[1 ms, 4 V], [2 ms, 4 V], [2 ms, 5 V]]]"),
     masked("polygons: [[[10 us, 4 V], [20 us, 4 V], [20 us, 5 V]]]")),
]  # fmt: skip


@pytest.mark.parametrize("what, wrong, right", IDLE, ids=[row[0] for row in IDLE])
def test_what_cannot_fail_does_not_pass(what: str, wrong: str, right: str, run_text: Run) -> None:
    outcome = run_text(wrong, seed=204)
    (judged,) = [one for one in outcome.results.values() if one.limit]
    assert outcome.verdict is Verdict.INCONCLUSIVE, judged
    assert "idle limit: " in judged.reason
    twin = run_text(right, seed=204)
    assert twin.verdict is Verdict.PASS, [one for one in twin.results.values() if one.limit]


def test_a_range_that_follows_the_signal_makes_no_mask_idle(run_text: Run) -> None:
    above = masked("polygons: [[[0 s, 70 V], [90 us, 70 V], [90 us, 90 V]]]", channel="range: auto")
    assert run_text(above, seed=204).verdict is Verdict.PASS


@pytest.mark.parametrize("start, level, is_idle", [(0.0, 0.1, False), (0.0, 100.0, True), (1.0, 0.1, True)])
def test_a_band_that_nothing_can_leave(start: float, level: float, is_idle: bool) -> None:
    # around a golden record that begins when the other has ended nothing is judged at all
    codes = np.tile(np.repeat(np.array([0, 100], dtype=np.int8), 50), 10)
    golden = Waveform(codes, gain=0.01, interval=1e-6, start=start, name="s")
    wave = Waveform(codes, gain=0.01, interval=1e-6, name="s", code_range=(-128.0, 127.0))
    text = (
        f"{HEAD}  one:\n    channels: {{s: {{input: 1, range: 2.56 V}}}}\n    timebase: {{span: 1 ms, rate: 1 MHz}}\n"
        f"    persistence: {{mask: {{around: golden.npz, level: {level} V}}, violations: exactly 0}}\n"
    )
    recipe = parse_recipe(text, "recipe.yaml")
    references = ReferenceWaveforms(recipe, read_stored=lambda path, channel: golden)
    references.load(recipe)
    (result,) = evaluate(recipe["one"][0], [Capture({"s": wave}, triggered=True)], references=references)
    assert result.verdict is (Verdict.INCONCLUSIVE if is_idle else Verdict.PASS)
    assert (Doubt.IDLE_LIMIT in result.reading.doubts) is is_idle


def test_fitness_of_each_condition_counts_though_the_finding_reads_the_same(bench: BenchFile) -> None:
    # droop of 54 %: with ± 2.9 V something can be decided, with ± 0.2 V nothing; both findings have the same words
    pulses = "{source: {function: pulse, frequency: 200 Hz, duty_factor: 50 %, high: 5 V, low: 0 V}}"
    text = (
        "wavewright: 1\ntitle: t\nfitness: required\nmeasurements:\n  one:\n"
        "    channels: {s: {input: 1, range: 8 V, coupling: ac}}\n    timebase: {span: 2 ms, rate: 25 MHz}\n"
        f"    for_each: {{within: [2.9 V, 200 mV]}}\n    stimulus: [{pulses}]\n"
        "    compute: {r: {metric: peak_to_peak, limit: 2 V ± $within}}\n"
    )
    with pytest.raises(BenchFault, match="cannot decide the limit: a square wave of 200 Hz drops"):
        prepare(parse_recipe(text, "recipe.yaml"), bench)
    alone = text.replace("[2.9 V, 200 mV]", "[2.9 V]")
    assert prepare(parse_recipe(alone, "recipe.yaml"), bench).fitness
