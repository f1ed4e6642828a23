"""Budgets of the readings of a run: what is common stays common, and whoever computes them again gets the same."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import wavewright as ww
from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.budget import Budget, difference
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.stated_accuracy import StatedAccuracy
from wavewright.judgement.joining import OVER, _weights
from wavewright.logbook.outcome_files import outcome_as_json, outcome_from_json
from wavewright.logbook.recompute import recompute
from wavewright.recipe.load import parse_recipe
from wavewright.running.evaluation import evaluate
from wavewright.running.input_accuracy import accuracy_facts, accuracy_in
from wavewright.running.outcome import Outcome
from wavewright.running.shot_findings import readings_of
from wavewright.waveform import Capture, Waveform

RunText = Callable[..., Outcome]
ROOT3 = math.sqrt(3)

RAIL = """
wavewright: 1
title: one rail by two instruments
needs: {digitizer: {inputs: 1}, meter: {}}
measurements:
  rail:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 2 ms, rate: 5 MHz}
    meter: {beside: {quantity: dc_voltage, range: 10 V, cycles: 1}}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}, then_wait: 200 ms}]
    trigger: {mode: auto, on: rail, edge: rising, level: 1 V}
    compute: {level: {metric: mean}}
"""


def budget_of(outcome: Outcome, name: str) -> Budget:
    budget = outcome[name].budget
    assert budget is not None
    return budget


def part(budget: Budget, word: str) -> float:
    return math.hypot(*(one.standard for one in budget.contributions if one.name.startswith(word)))


def test_digitizer_and_meter_agree_within_their_intervals(run_text: RunText) -> None:
    outcome = run_text(RAIL)
    digitizer, meter = budget_of(outcome, "rail.level"), budget_of(outcome, "rail.beside")
    assert digitizer.is_complete
    assert meter.is_complete
    # the profile states 1.5 % and 0.5 % of 8 V and 1 mV at the connector, the bench 1 % for a probe of 10:1
    assert part(digitizer, "gain") == pytest.approx(0.015 * digitizer.value / ROOT3)
    assert part(digitizer, "offset") == pytest.approx((0.04 + 0.01) / ROOT3)
    assert part(digitizer, "attenuation") == pytest.approx(0.01 * digitizer.value / ROOT3)
    assert part(meter, "gain") == pytest.approx(1e-4 * meter.value / ROOT3)
    apart = difference(digitizer, meter)
    low, high = apart.interval(0.95)
    assert low < 0 < high
    # and they are so far apart that the meter alone does not explain it
    assert abs(apart.value) > 5 * meter.standard


def test_averaging_shots_does_not_shrink_what_they_have_in_common(run_text: RunText) -> None:
    one = budget_of(run_text(RAIL.replace("metric: mean", "metric: mean, over: mean")), "rail.level")
    many = budget_of(
        run_text(
            RAIL.replace("metric: mean", "metric: mean, over: mean").replace("    meter:", "    shots: 25\n    meter:")
        ),
        "rail.level",
    )
    for cause in ("gain", "offset", "attenuation"):
        assert part(many, cause) == pytest.approx(part(one, cause), rel=0.01)
    # the steps of the converter are the same in every shot: 25 of them tell no more than one does
    steps = 8 / 256 / math.sqrt(12)
    assert many.standard > math.hypot(part(one, "gain"), part(one, "offset"), part(one, "attenuation"))
    assert part(many, "noise and resolution common to the shots") == pytest.approx(steps, rel=0.2)


TWO_INPUTS = """
wavewright: 1
title: what two channels have in common
measurements:
  both:
    channels:
      high: {input: 1, range: 8 V, offset: 0 V}
      low: {input: 2, range: 8 V, offset: 0 V}
    timebase: {span: 2 ms, rate: 1 MHz}
    trigger: {mode: auto, on: high, edge: rising, level: 0 V}
    derived:
      across: "high - low"
      doubled: "2 * high"
      nothing: "high - high / 2 - high / 2 + low"
    compute:
      high: {metric: mean, of: high}
      low: {metric: mean, of: low}
      across: {metric: mean, of: across}
      doubled: {metric: mean, of: doubled}
      nothing: {metric: mean, of: nothing}
"""


def two_inputs() -> Capture:
    """Two levels with a little noise, by inputs of which the accuracy is known."""
    draw = np.random.default_rng(7)
    waves = {
        name: Waveform(
            np.round(draw.normal(level / 0.001, 3, 2000)).astype(np.int16),
            gain=0.001,
            interval=1e-6,
            name=name,
            code_range=(-4096, 4095),
        )
        for name, level in (("high", 3.0), ("low", 2.0))
    }
    stated = ww.Accuracy(gain="1 %", offset="10 mV", timebase="10 ppm", skew="1 ns")
    facts = {}
    for number in (1, 2):
        facts |= accuracy_facts(f"input{number}", stated.at("digitizer", f"input{number}"), full_scale=8.0)
    return Capture(waves, settings=facts)


def test_derived_channels_correlate_with_what_they_are_made_of() -> None:
    readings = readings_of(two_inputs(), parse_recipe(TWO_INPUTS, "two.yaml").measurements[0])
    budgets = {name: reading.budget for name, reading in readings.items()}
    assert all(budget is not None and budget.is_complete for budget in budgets.values())
    found = {name: budget for name, budget in budgets.items() if budget is not None}
    # a difference of two inputs has the gain of each by its own level, and both offsets
    assert part(found["across"], "gain") == pytest.approx(math.hypot(0.03, 0.02) / ROOT3, rel=1e-3)
    assert part(found["across"], "offset") == pytest.approx(math.sqrt(2) * 0.01 / ROOT3, rel=1e-6)
    assert part(found["doubled"], "offset") == pytest.approx(0.02 / ROOT3, rel=1e-6)
    # what is taken away again leaves nothing of its errors
    assert part(found["nothing"], "gain of `high`") <= 1e-9
    # and a derived channel shares the errors of its source: 2·high − 2·high knows neither gain nor offset
    twice = difference(found["doubled"], Budget(2 * found["high"].value, "V", _times(2.0, found["high"])))
    assert part(twice, "gain") == pytest.approx(0.0, abs=1e-12)
    assert part(twice, "offset") == pytest.approx(0.0, abs=1e-12)


def _times(factor: float, budget: Budget) -> tuple[ww.Contribution, ...]:
    return tuple(replace(one, standard=factor * one.standard) for one in budget.contributions)


@pytest.mark.parametrize("over", ["mean", "max", "min", "p99"])
def test_joined_shots_share_the_gain_of_their_input(over: str) -> None:
    text = TWO_INPUTS.replace("high: {metric: mean, of: high}", f"high: {{metric: mean, of: high, over: {over}}}")
    measurement = parse_recipe(text, "two.yaml").measurements[0]
    results = {one.name: one for one in evaluate(measurement, [two_inputs()] * 3)}
    budget = results["high"].reading.budget
    assert budget is not None
    assert part(budget, "gain") == pytest.approx(0.03 / ROOT3, rel=1e-3)
    assert all(shot.budget is None for shot in results["high"].shots)


def test_the_scatter_of_shots_knows_no_offset() -> None:
    text = TWO_INPUTS.replace("high: {metric: mean, of: high}", "high: {metric: mean, of: high, over: stdev}")
    measurement = parse_recipe(text, "two.yaml").measurements[0]
    first = two_inputs()
    moved = replace(first["high"], offset=0.1)  # the unit, not the input, differs between the shots
    second = replace(first, waveforms={**first.waveforms, "high": moved})
    budget = {one.name: one for one in evaluate(measurement, [first, second])}["high"].reading.budget
    assert budget is not None
    # math: both shots rise with the offset, so their scatter does not; the gain stretches it by 1 %
    assert part(budget, "offset") == pytest.approx(0.0, abs=1e-9)
    assert part(budget, "gain") == pytest.approx(0.01 * budget.value / ROOT3, rel=1e-3)


def test_run_recompute_and_measure_agree_bit_for_bit(tmp_path: Path) -> None:
    recipe = tmp_path / "rail.yaml"
    recipe.write_text(RAIL)
    outcome = ww.run(
        recipe,
        bench=Path(__file__).parents[2] / "sim/bench.yaml",
        out=tmp_path / "out",
        logbook=tmp_path / "book.sqlite",
    )
    stored = ww.read_outcome(outcome.folder)
    again = recompute(stored)
    assert again.is_same
    assert again.outcome is not None
    shot = stored.captures["rail"][0]
    accuracy = accuracy_in(shot.settings, "input1")
    assert accuracy is not None
    measured = ww.measure(shot["rail"], "mean", accuracy=accuracy)
    budgets = [outcome["rail.level"].budget, stored["rail.level"].budget, again.outcome["rail.level"].budget]
    assert budgets == [measured.budget] * 3
    assert stored["rail.beside"].budget == again.outcome["rail.beside"].budget == outcome["rail.beside"].budget


def test_an_outcome_brings_its_budgets_back(run_text: RunText) -> None:
    outcome = run_text(RAIL)
    assert outcome_from_json(outcome_as_json(outcome))["rail.level"].budget == outcome["rail.level"].budget


def test_an_outcome_without_budgets_opens_and_computes_again(run_text: RunText) -> None:
    """As every outcome of before: neither budgets among its readings nor accuracies among its settings."""
    outcome = run_text(RAIL)
    captures = {
        label: [replace(shot, settings=_without_accuracy(shot)) for shot in shots]
        for label, shots in outcome.captures.items()
    }
    measurements = tuple(
        replace(one, results=tuple(replace(r, reading=replace(r.reading, budget=None)) for r in one.results))
        for one in outcome.measurements
    )
    early = replace(outcome, captures=captures, measurements=measurements)
    plain = outcome_as_json(early)
    assert "budget" not in str(plain["measurements"])
    opened = replace(outcome_from_json(plain), captures=captures)
    again = recompute(opened)
    assert again.is_same
    assert again.outcome is not None
    assert again.outcome["rail.level"].budget is None


def _without_accuracy(shot: Capture) -> dict[str, float | str | bool]:
    return {name: value for name, value in shot.settings.items() if ".accuracy." not in name}


def test_a_profile_that_states_nothing_gives_the_record_only(run_text: RunText, bench: BenchFile) -> None:
    silent = {
        name: replace(profile, grammar=profile.grammar.model_copy(update={"accuracy": StatedAccuracy()}))
        for name, profile in bench.profiles.items()
    }
    outcome = run_text(RAIL, on=replace(bench, profiles=silent))
    assert budget_of(outcome, "rail.level").missing == ("gain of `rail`", "offset of `rail`")
    assert budget_of(outcome, "rail.beside").missing == ("gain of `beside`", "offset of `beside`")


def test_a_probe_of_which_nothing_is_stated_is_missing(run_text: RunText, bench: BenchFile) -> None:
    probes = {n: probe.model_copy(update={"tolerance": None}) for n, probe in bench.probes.items()}
    unknown = replace(bench, grammar=bench.grammar.model_copy(update={"probes": probes}))
    assert budget_of(run_text(RAIL, on=unknown), "rail.level").missing == ("attenuation of the probe of `rail`",)
    plain = run_text(RAIL.replace("offset: 2 V}", "offset: 2 V, probe: 1x}"), on=unknown)
    assert budget_of(plain, "rail.level").is_complete  # nothing divides


EDGE = """
wavewright: 1
title: one edge, with and without the band limit
measurements:
  fast:
    place: Probe 1 on TP13.
    channels: {s: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 4 us, rate: 250 MHz}
    trigger: {mode: auto, on: s, edge: rising, level: 1.65 V}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}, then_wait: 200 ms}]
    compute: {rise: {metric: rise_time}}
"""


def test_an_edge_through_a_band_limit_still_holds_the_edge_in_its_interval(run_text: RunText) -> None:
    wide = budget_of(run_text(EDGE), "fast.rise")
    slow = run_text(EDGE.replace("offset: 2 V}", "offset: 2 V, bandwidth_limit: 20 MHz}"))
    narrow = budget_of(slow, "fast.rise")
    assert narrow.value > 1.5 * wide.value
    low, high = narrow.interval(0.95)
    assert low < wide.value < high
    assert narrow.share(max(narrow.contributions, key=lambda one: abs(one.standard))) > 0.9
    assert "bandwidth of `s`" in [one.name for one in narrow.contributions]
    assert ww.Doubt.SLOW_SETUP in slow["fast.rise"].doubts


STATED = [
    ww.Accuracy(),
    ww.Accuracy(gain="1.5 %", offset="0.5 % of range + 1 mV", timebase="10 ppm", skew="200 ps"),
    ww.Accuracy(nonlinearity="1 mV", noise_floor="2 mV", aperture_jitter="5 ps", bandwidth="100 MHz ± 10 %"),
    ww.Accuracy(attenuation="unknown", limits={"expanded": 2.58}, bandwidth="100 MHz"),
    ww.Accuracy(temperature={"gain": "50 ppm", "offset": "1 mV", "within": "5 K"}, limits="standard"),
    ww.Accuracy(gain="1 %", corrected={"gain": 1e-4, "skew": 1e-11}),
]


@pytest.mark.parametrize("stated", STATED)
def test_an_accuracy_is_kept_with_every_shot(stated: ww.Accuracy) -> None:
    known = stated.at("digitizer", "input3")
    found = accuracy_in(accuracy_facts("input3", known, full_scale=8.0), "input3")
    offset = None if stated.offset is None else type(stated.offset)(0.0, stated.offset.limit(8.0) or 0.0)
    assert found == replace(known, offset=offset)
    assert accuracy_in({}, "input3") is None


def test_times_of_a_bus_have_the_time_base(run_text: RunText) -> None:
    outcome = run_text(
        """
wavewright: 1
title: the bit rate of the line
measurements:
  line:
    place: Probe 1 on TP10.
    channels: {tx: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 40 ms, rate: 2 MHz}
    trigger: {mode: normal, on: tx, edge: falling, level: 1.65 V, timeout: 5 s}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}}]
    decode: {port: {bus: uart, tx: tx, baud: 19200, parity: even}}
    compute:
      rate: {metric: bit_rate, of: port}
      errors: {metric: frame_errors, of: port}
"""
    )
    rate = budget_of(outcome, "line.rate")
    assert part(rate, "time base") == pytest.approx(1e-5 * rate.value / ROOT3, rel=1e-3)
    errors = budget_of(outcome, "line.errors")  # counted again with other levels and another clock: the same
    assert (errors.is_complete, errors.standard) == (True, 0.0)
    assert "counted again" in errors.exact


def test_a_reading_compares_with_its_budget() -> None:
    assert Reading(1.0, "V", budget=Budget(1.0, "V")) != Reading(1.0, "V")


@pytest.mark.parametrize("over", ["mean", "stdev", "p99"])
def test_stated_derivatives_are_those_of_the_joined_value(over: str) -> None:
    values = np.random.default_rng(2).normal(3.0, 0.1, 40)
    way = OVER[over]
    assert _weights(way, values) == pytest.approx(_weights(replace(way, weights=None), values), abs=1e-4)
