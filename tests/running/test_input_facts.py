"""What bench, profile and recipe state about an input, kept with every shot, and what it says against readings."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from wavewright.analysis.doubts import Doubt
from wavewright.errors import FileFault
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import parse_recipe
from wavewright.running.evaluation import evaluate
from wavewright.running.input_facts import InputPath, front_end_of, input_path
from wavewright.running.outcome import Outcome

Run = Callable[..., Outcome]
NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
TEXT = """
wavewright: 1
title: The supply's terminal, and what the meter reads
measurements:
  feed:
    place: Probe 1 on TP1.
    channels: {feed: {input: 1, range: 40 V, offset: 12 V}}
    timebase: {span: 2 ms, points: 2k}
    trigger: {mode: auto, level: 12 V}
    compute: {level: {metric: mean, limit: 24 V ± 1 V}}
    meter: {rail: {quantity: dc_voltage, range: 10 V, limit: 3.3 V ± 2 %}}
"""


def with_entry(bench: BenchFile, name: str, **changed: object) -> BenchFile:
    entry = bench.instruments[name].model_copy(update=changed)
    instruments = {**bench.instruments, name: entry}
    return replace(bench, grammar=bench.grammar.model_copy(update={"instruments": instruments}))


def with_probe(bench: BenchFile, **changed: object) -> BenchFile:
    probes = {**bench.probes, 1: bench.probe(1).model_copy(update=changed)}
    return replace(bench, grammar=bench.grammar.model_copy(update={"probes": probes}))


def path_of(channel: str, bench: BenchFile, *, attenuation: float = 10.0) -> InputPath:
    text = TEXT.replace("input: 1, range: 40 V, offset: 12 V", channel).replace("metric: mean", "metric: amplitude")
    (measurement,) = parse_recipe(text, "r.yaml")
    profile = bench.profiles["digitizer"]
    return input_path(measurement.channels["feed"], bench, profile, attenuation=attenuation)


# the profile states 1800 s
@pytest.mark.parametrize("minutes, is_doubted", [(10, True), (29.9, True), (31, False)])
def test_an_instrument_that_is_not_warmed_up(minutes: float, is_doubted: bool, bench: BenchFile, run_text: Run) -> None:
    since = NOON - timedelta(minutes=minutes)
    outcome = run_text(TEXT, on=with_entry(bench, "digitizer", on_since=since), now=lambda: NOON)
    level, rail = outcome.results["feed.level"], outcome.results["feed.rail"]
    assert (Doubt.NOT_WARMED_UP in level.reading.doubts) is is_doubted
    assert level.verdict is (Verdict.INCONCLUSIVE if is_doubted else Verdict.PASS)
    assert rail.verdict is Verdict.PASS  # the meter is another instrument
    if minutes == 10:
        assert "was switched on 10 min before, and its accuracy holds after 30 min" in level.reason


def test_a_meter_that_is_not_warmed_up(bench: BenchFile, run_text: Run) -> None:
    profile = bench.profiles["meter"]
    accuracy = profile.grammar.accuracy.model_copy(update={"warm_up": 3600.0})
    slow = replace(profile, grammar=profile.grammar.model_copy(update={"accuracy": accuracy}))
    there = replace(bench, profiles={**bench.profiles, "meter": slow})
    for age, verdict in ((timedelta(minutes=5), Verdict.INCONCLUSIVE), (timedelta(hours=2), Verdict.PASS)):
        outcome = run_text(TEXT, on=with_entry(there, "meter", on_since=NOON - age), now=lambda: NOON)
        assert outcome.results["feed.rail"].verdict is verdict
        assert outcome.results["feed.level"].verdict is Verdict.PASS


def test_what_was_stated_is_computed_again_from_the_captures(bench: BenchFile, run_text: Run) -> None:
    text = TEXT.replace("offset: 12 V", "offset: 12 V, source_impedance: 1 Mohm, ground_lead: 300 mm")
    outcome = run_text(text, on=with_entry(bench, "digitizer", on_since=NOON - timedelta(minutes=1)), now=lambda: NOON)
    (measurement,) = parse_recipe(text, "r.yaml")
    again = evaluate(measurement, outcome.captures["feed"])
    first = outcome.measurements[0].results
    assert [one.reading.findings for one in again] == [one.reading.findings for one in first]
    doubts = outcome["feed.level"].doubts
    assert {Doubt.PROBE_LOADING, Doubt.NOT_WARMED_UP} <= set(doubts)


def test_old_captures_say_nothing_about_the_set_up() -> None:
    assert front_end_of({"input1.range": 8.0}, 1) is None
    old = front_end_of({"input1.bandwidth": 1e8, "input1.probe_capacitance": 12e-12}, 1)
    assert old is not None
    assert (old.rise_time, old.source, old.probe, old.ac_corner, old.stated) == (None, None, None, None, ())


def test_a_probe_that_is_switched_is_another_one(bench: BenchFile) -> None:
    own, switched = path_of("input: 1", bench), path_of("input: 1, probe: 1x", bench, attenuation=1.0)
    assert (own.bandwidths["probe"], switched.bandwidths["probe"]) == (200e6, 30e6)
    assert own.touching is not None
    assert switched.touching is not None
    assert (own.touching.capacitance, switched.touching.capacitance) == (12e-12, 60e-12)
    assert (own.touching.resistance, switched.touching.resistance) == (10e6, 1e6)
    unstated = path_of("input: 1, probe: 1x", with_probe(bench, at_1x=None), attenuation=1.0)
    assert unstated.touching is None
    assert "probe" not in unstated.bandwidths


def test_the_edge_of_the_set_up_is_that_of_all_its_parts(bench: BenchFile) -> None:
    facts = path_of("input: 1, bandwidth_limit: 20 MHz", bench).facts
    own = [math.log(9) / (2 * math.pi * one) for one in (200e6, 100e6, 20e6)]
    assert facts["rise_time"] == pytest.approx(math.sqrt(sum(one**2 for one in own)))
    assert facts["bandwidths"] == "probe 200 MHz, input 100 MHz, band limit 20 MHz"
    assert facts["bandwidth"] == 20e6


def test_the_lead_of_the_recipe_goes_before_that_of_the_bench(bench: BenchFile) -> None:
    leaded = with_probe(bench, ground_lead=0.15)
    # 1 nH per mm with 12 pF (math): 118.6 MHz for 150 mm, 459 MHz for 10 mm
    assert path_of("input: 1", leaded).lead_ringing == pytest.approx(118.6e6, rel=1e-3)
    assert path_of("input: 1, ground_lead: 10 mm", leaded).lead_ringing == pytest.approx(459.4e6, rel=1e-3)
    assert path_of("input: 1", bench).lead_ringing is None


def test_a_corner_is_that_of_an_ac_coupled_input_alone(bench: BenchFile) -> None:
    assert path_of("input: 1, coupling: ac", bench).facts["ac_corner"] == 50.0
    assert "ac_corner" not in path_of("input: 1", bench).facts


def test_the_impedance_that_is_set_loads_the_circuit(bench: BenchFile) -> None:
    path = path_of("input: 1, probe: 1x, impedance: 50 ohm, source_impedance: 50 ohm", bench, attenuation=1.0)
    assert path.touching is not None
    assert path.source is not None
    assert (path.touching.resistance, path.source.resistance) == (50.0, 50.0)


@pytest.mark.parametrize("words", ["yesterday", "2026-03-02T07:45", "12:00"])
def test_a_time_without_its_offset_from_utc_is_refused(words: str, bench: BenchFile, tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(bench.text.replace("profile: scpi-digitizer}", f'profile: scpi-digitizer, on_since: "{words}"}}'))
    with pytest.raises(FileFault, match="is not a date and time with an offset from UTC") as caught:
        load_bench(path)
    assert str(caught.value.where).startswith(f"{path}:7:")
