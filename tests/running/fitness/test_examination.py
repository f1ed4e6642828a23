"""Fitness: for each rule a set-up that breaks it and a twin that does not, and what a run makes of it.

Expected numbers are computed here from the figures of the shipped profile: 100 MHz, 8 bits, 1.5 % of gain, 0.5 % of
range and 1 mV of offset, 0.1 % of range and 100 uV of noise, an ac corner of 50 Hz; probes of 10x, 12 pF, 200 MHz, and
60 pF, 30 MHz at 1x.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import fftconvolve

import wavewright as ww
from tests.instruments.test_corrections import bench_in, gain_entry, text_of
from tests.running.conftest import ROOT
from wavewright.errors import BenchFault
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.recipe.load import parse_recipe
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.rules import FitnessRule
from wavewright.running.outcome import Outcome
from wavewright.running.run import prepare

FRAME = """
wavewright: 1
title: A set-up to be examined
measurements:
  one:
    channels: {s: {CHANNEL}}
    timebase: {TIMEBASE}
    trigger: {TRIGGER}
STIMULUS    compute: {r: {COMPUTE}}
"""
WIDE, NARROW = "input: 1, range: 40 V, offset: 12 V", "input: 1, range: 8 V, offset: 2 V"
AC = "input: 1, range: 8 V, coupling: ac"
SLOW = "span: 2 ms, rate: 25 MHz"
PULSES = "    stimulus: [{source: {function: pulse, frequency: 200 Hz, duty_factor: 50 %, high: 5 V, low: 0 V}}]\n"


def recipe_text(
    channel: str, compute: str, timebase: str = SLOW, *, trigger: str = "mode: auto", stimulus: str = ""
) -> str:
    text = FRAME.replace("STIMULUS", stimulus)
    for word, words in (("CHANNEL", channel), ("TIMEBASE", timebase), ("TRIGGER", trigger), ("COMPUTE", compute)):
        text = text.replace(word, words)
    return text


def findings(text: str, bench: BenchFile) -> tuple[FitnessFinding, ...]:
    return ww.fitness(parse_recipe(text, "recipe.yaml"), bench=bench)


def of_rule(text: str, bench: BenchFile, rule: FitnessRule) -> FitnessFinding | None:
    return next((one for one in findings(text, bench) if one.rule is rule), None)


LN9_2PI = math.log(9) / (2 * math.pi)
OWN_EDGE = math.hypot(LN9_2PI / 200e6, LN9_2PI / 100e6)  # of probe and input: 3.9 ns
LIMITED_EDGE = math.hypot(OWN_EDGE, LN9_2PI / 20e6)  # with the band limit: 17.9 ns
STEP = 40 / 256  # V per code of the wide range

# rule, what breaks it, its number, whether nothing can be decided, and a twin that keeps it
BROKEN: list[tuple[FitnessRule, str, float, bool, str]] = [
    (FitnessRule.REACH, recipe_text(NARROW, "metric: mean, limit: at most 40 kV"), 1.0, True,
     recipe_text(NARROW, "metric: mean, limit: at most 4 V")),
    (FitnessRule.REACH, recipe_text(NARROW, "metric: mean, limit: 24 V ± 1 V"), 0.0, True,
     recipe_text(WIDE, "metric: mean, limit: 24 V ± 1 V")),
    (FitnessRule.REACH, recipe_text(NARROW, "metric: maximum, limit: 5 V .. 27 V"), 27.0, False,
     recipe_text(NARROW, "metric: maximum, limit: 5 V .. 5.5 V")),
    (FitnessRule.REACH, recipe_text(NARROW, "metric: rms, limit: 20 V ± 1 V"), 0.0, True,
     recipe_text(WIDE, "metric: rms, limit: 20 V ± 1 V")),
    (FitnessRule.CODES, recipe_text(WIDE, "metric: high_level, limit: 3.3 V ± 0.2 V"), 0.4 / STEP, False,
     recipe_text("input: 1, range: 4 V, offset: 2 V", "metric: high_level, limit: 3.3 V ± 0.2 V")),
    (FitnessRule.CODES, recipe_text(WIDE, "metric: high_level, limit: 3.3 V ± 0.05 V"), 0.1 / STEP, True,
     recipe_text("input: 1, range: 2 V, offset: 3 V", "metric: high_level, limit: 3.3 V ± 0.05 V")),
    (FitnessRule.INPUT_NOISE, recipe_text(NARROW, "metric: peak_to_peak, limit: at most 40 mV"),
     2 * (8e-3 + 1e-3) * math.sqrt(2 * math.log(50_000)), True,
     recipe_text("input: 1, range: 200 mV, probe: 1x", "metric: peak_to_peak, limit: at most 40 mV")),
    (FitnessRule.EDGE_SAMPLES, recipe_text(NARROW, "metric: rise_time, limit: at most 100 ns"), 2.5, False,
     recipe_text(NARROW, "metric: rise_time, limit: at most 1 us")),
    (FitnessRule.EDGE_SAMPLES, recipe_text(NARROW, "metric: shortest_pulse, limit: at least 60 ns"), 1.5, True,
     recipe_text(NARROW, "metric: shortest_pulse, limit: at least 1 us")),
    (FitnessRule.EDGE_SAMPLES, recipe_text(NARROW, "metric: glitches, width: 50 ns, limit: exactly 0"), 1.25, True,
     recipe_text(NARROW, "metric: glitches, width: 1 us, limit: exactly 0")),
    (FitnessRule.SETUP_SPEED,
     recipe_text(NARROW + ", bandwidth_limit: 20 MHz", "metric: rise_time, limit: at most 30 ns"), LIMITED_EDGE, False,
     recipe_text(NARROW, "metric: rise_time, limit: at most 30 ns")),
    (FitnessRule.SETUP_SPEED,
     recipe_text(NARROW + ", bandwidth_limit: 20 MHz", "metric: rise_time, limit: at most 15 ns"), LIMITED_EDGE, True,
     recipe_text(NARROW, "metric: rise_time, limit: at most 15 ns")),
    (FitnessRule.SETUP_SPEED,  # 10 kohm with 12 pF: 263.4 ns (closed form)
     recipe_text(NARROW + ", source_impedance: 10 kohm", "metric: rise_time, limit: at most 300 ns"),
     math.hypot(OWN_EDGE, 263.4e-9), False,
     recipe_text(NARROW + ", source_impedance: 100 ohm", "metric: rise_time, limit: at most 300 ns")),
    (FitnessRule.RECORD_LENGTH, recipe_text(NARROW, "metric: frequency, limit: 1 kHz ± 10 %"), 1.8, False,
     recipe_text(NARROW, "metric: frequency, limit: 10 kHz ± 10 %")),
    (FitnessRule.RECORD_LENGTH, recipe_text(NARROW, "metric: period, limit: 5 ms ± 10 %"), 2e-3 / 5.5e-3, True,
     recipe_text(NARROW, "metric: period, limit: 50 us ± 10 %")),
    (FitnessRule.RECORD_LENGTH,
     recipe_text(NARROW, "metric: time_between, from: falling 1 V, to: rising 2 V, limit: 1 ms .. 3 ms"), 2e-3, False,
     recipe_text(NARROW, "metric: time_between, from: falling 1 V, to: rising 2 V, limit: 1 ms .. 1.5 ms")),
    (FitnessRule.SAMPLING, recipe_text(NARROW, "metric: frequency, limit: 12 MHz ± 1 %"), 25 / 12.12, False,
     recipe_text(NARROW, "metric: frequency, limit: 6 MHz ± 1 %")),
    (FitnessRule.SAMPLING, recipe_text(NARROW, "metric: frequency, limit: 20 MHz ± 1 %"), 25 / 20.2, True,
     recipe_text(NARROW, "metric: frequency, limit: 20 MHz ± 1 %", "span: 20 us, rate: 250 MHz")),
    (FitnessRule.ALIAS,
     recipe_text(NARROW, "metric: frequency, limit: 10 kHz ± 1 %", trigger="mode: normal, level: 1 V", stimulus=PULSES),
     25e6 - 10.1e3, False,
     recipe_text(NARROW, "metric: frequency, limit: 10 kHz ± 1 %", trigger="mode: normal, level: 1 V")),
    (FitnessRule.RECORD_LENGTH, recipe_text(NARROW, "metric: frequency, limit: at least 100 Hz"), 0.2, False,
     recipe_text(NARROW, "metric: frequency, limit: at least 10 kHz")),
    (FitnessRule.SAMPLING, recipe_text(NARROW, "metric: frequency, limit: 1 MHz .. 20 MHz"), 1.25, False,
     recipe_text(NARROW, "metric: frequency, limit: 1 MHz .. 6 MHz")),
    (FitnessRule.COUPLING, recipe_text(AC, "metric: rms, limit: at most 3 V"), 0.0, False,
     recipe_text(AC, "metric: ac_rms, limit: at most 3 V")),
    (FitnessRule.DROOP,  # 1 - exp(-pi 50 / 200): 54.4 %
     recipe_text(AC, "metric: peak_to_peak, limit: 2 V ± 0.2 V", stimulus=PULSES), 1 - math.exp(-math.pi / 4), True,
     recipe_text(NARROW, "metric: peak_to_peak, limit: 2 V ± 0.2 V", stimulus=PULSES)),
    (FitnessRule.LOADING,  # 10 Mohm on 1 Mohm: 1 / 11
     recipe_text(NARROW + ", source_impedance: 1 Mohm", "metric: mean, limit: 3.3 V ± 0.5 V"), 1 / 11, False,
     recipe_text(NARROW + ", source_impedance: 10 kohm", "metric: mean, limit: 3.3 V ± 0.5 V")),
    (FitnessRule.LOADING,
     recipe_text(NARROW + ", source_impedance: 1 Mohm", "metric: mean, limit: 3.3 V ± 0.2 V"), 1 / 11, True,
     recipe_text(NARROW + ", source_impedance: 10 kohm", "metric: mean, limit: 3.3 V ± 0.2 V")),
    (FitnessRule.NOT_STATED,
     recipe_text(NARROW + ", source_impedance: 1 kohm, probe: 100x", "metric: mean, limit: 3.3 V ± 0.5 V"), 100, False,
     recipe_text(NARROW + ", source_impedance: 1 kohm, probe: 1x", "metric: mean, limit: 3.3 V ± 0.5 V")),
]  # fmt: skip


@pytest.mark.parametrize("row", range(len(BROKEN)), ids=[f"{row[0]} {at}" for at, row in enumerate(BROKEN)])
def test_a_rule_is_broken_and_kept(row: int, bench: BenchFile) -> None:
    rule, broken, number, cannot_decide, kept = BROKEN[row]
    found = of_rule(broken, bench, rule)
    assert found is not None
    assert found.number == pytest.approx(number, rel=2e-3)
    assert found.cannot_decide is cannot_decide
    assert of_rule(kept, bench, rule) is None


def test_every_rule_has_a_set_up_that_breaks_it() -> None:
    elsewhere = {  # of lines, comparisons and rare shots, in the file beside this one
        FitnessRule.BIT_SAMPLES, FitnessRule.FRAME_LENGTH, FitnessRule.LOGIC_LEVELS, FitnessRule.CLOCK_SKEW,
        FitnessRule.RARE_EVENTS,
    }  # fmt: skip
    assert {row[0] for row in BROKEN} | {FitnessRule.UNCERTAINTY} | elsewhere == set(FitnessRule)


def half_width(*limits: float) -> float:
    """Half the width of the interval that holds 95 % of a sum of rectangular errors, by their distributions folded."""
    step = sum(limits) / 20_000
    density = np.ones(1)
    for limit in limits:
        size = max(round(2 * limit / step), 1)
        density = fftconvolve(density, np.full(size, 1 / size))
    at = np.interp(0.975, np.cumsum(density), np.arange(density.size))
    return float((at - (density.size - 1) / 2) * step)


# 3.3 V ± 2 % on 8 V: 1.5 % of gain, 1 % of the probe, 40 mV and 10 mV of offset at the tip of a 10x probe.
U = half_width(0.015 * 3.366, 0.01 * 3.366, 0.005 * 8 + 0.010)
RATIOS = [
    ("a mean", recipe_text(NARROW, "metric: mean, limit: 3.3 V ± 2 %"), 0.066 / U, True),
    ("a frequency", recipe_text(NARROW, "metric: frequency, limit: 1 MHz ± 20 ppm"), 20 / (10 * 0.95), False),
    ("a frequency that the time base cannot tell", recipe_text(NARROW, "metric: frequency, limit: 1 MHz ± 5 ppm"),
     5 / (10 * 0.95), True),
]  # fmt: skip


@pytest.mark.parametrize("what, text, ratio, cannot_decide", RATIOS, ids=[row[0] for row in RATIOS])
def test_the_limit_beside_the_expanded_uncertainty(
    what: str, text: str, ratio: float, cannot_decide: bool, bench: BenchFile
) -> None:
    found = of_rule(text, bench, FitnessRule.UNCERTAINTY)
    assert found is not None, what
    assert found.number == pytest.approx(ratio, rel=5e-3)
    assert found.cannot_decide is cannot_decide
    assert of_rule(text.replace(" ± ", " ± 20"), bench, FitnessRule.UNCERTAINTY) is None


def test_the_run_finds_the_uncertainty_that_was_expected(bench: BenchFile, run_text: Callable[..., Outcome]) -> None:
    text = recipe_text(NARROW, "metric: mean, limit: 3.3 V ± 2 %").replace(
        "  one:", "  one:\n    place: Probe 1 on TP3."
    )
    expected = of_rule(text, bench, FitnessRule.UNCERTAINTY)
    budget = run_text(text)["one.r"].budget
    assert expected is not None
    assert expected.number is not None
    assert budget is not None
    assert 0.066 / budget.expanded() == pytest.approx(expected.number, rel=0.02)


CORRECTED = text_of(
    gain_entry(more="input: 1, range: 8 V, middle: 2 V, probe: 10x, ", value="0.2 %", uncertainty="0.02 %"),
    gain_entry(quantity="offset", more="input: 1, range: 8 V, probe: 10x, ", value="-9 mV", uncertainty="2 mV"),
)


def test_corrections_make_a_limit_decidable_and_the_run_agrees(
    bench: BenchFile, run_text: Callable[..., Outcome], tmp_path: Path
) -> None:
    text = recipe_text(NARROW, "metric: mean, limit: 3.3 V ± 0.5 %").replace(
        "  one:", "  one:\n    place: Probe 1 on TP3."
    )
    plain = of_rule(text, bench, FitnessRule.UNCERTAINTY)
    assert plain is not None
    assert plain.cannot_decide
    corrected = load_bench(bench_in(tmp_path, CORRECTED))
    found = of_rule(text, corrected, FitnessRule.UNCERTAINTY)
    # 0.02 % of 3.3165 V and 2 mV, both standard uncertainties of normal distributions
    reach = 1.959964 * math.hypot(0.0002 * 3.3165, 0.002)
    assert found is None or found.number == pytest.approx(0.0165 / reach, rel=1e-3)
    assert 0.0165 / reach == pytest.approx(4.0, rel=0.01)
    budget = run_text(text, on=corrected)["one.r"].budget
    assert budget is not None
    stated = {one.name: one for one in budget.contributions if one.source.startswith("correction of")}
    assert stated["gain of `s`"].standard == pytest.approx(0.0002 * 3.3, rel=0.03)
    assert stated["offset of `s`"].standard == pytest.approx(0.002, rel=0.01)
    assert not [one for one in budget.contributions if one.source.startswith("profile") and "time" not in one.name]
    elsewhere = of_rule(text.replace("range: 8 V", "range: 20 V"), corrected, FitnessRule.UNCERTAINTY)
    assert elsewhere is not None
    assert elsewhere.cannot_decide  # no correction holds in that range


GUARDED = recipe_text(NARROW, "metric: mean, limit: 3.3 V ± 5 %, judge: guarded acceptance")


def test_a_guard_band_needs_a_whole_budget(bench: BenchFile) -> None:
    silent = replace(
        bench,
        grammar=bench.grammar.model_copy(update={"probes": {1: bench.probe(1).model_copy(update={"tolerance": None})}}),
    )
    found = of_rule(GUARDED, silent, FitnessRule.NOT_STATED)
    assert found is not None
    assert found.cannot_decide
    assert "tolerance of the probe" in found.what
    assert of_rule(GUARDED, bench, FitnessRule.NOT_STATED) is None
    assert of_rule(GUARDED.replace(", judge: guarded acceptance", ""), silent, FitnessRule.NOT_STATED) is None


def test_a_guard_band_as_wide_as_half_the_limit_leaves_nothing_to_pass(bench: BenchFile) -> None:
    found = of_rule(GUARDED, bench, FitnessRule.UNCERTAINTY)
    wider = of_rule(
        GUARDED.replace("guarded acceptance", "guarded acceptance with guard 2 U"), bench, FitnessRule.UNCERTAINTY
    )
    assert found is not None
    assert wider is not None
    assert found.number == wider.number
    assert 1 < (found.number or 0.0) < 2
    assert (found.cannot_decide, wider.cannot_decide) == (False, True)


def test_two_channels_differ_by_their_skew(bench: BenchFile) -> None:
    both, on_one = "input: 1, range: 8 V}, t: {input: 2, range: 8 V", "mode: auto, on: s, level: 1 V"
    text = recipe_text(both, "metric: delay, of: [s, t], limit: 0 s ± 300 ps", trigger=on_one)
    found = of_rule(text, bench, FitnessRule.UNCERTAINTY)
    assert found is not None
    assert found.number == pytest.approx(300 / (200 * 0.95), rel=1e-3)
    assert found.what.endswith("by the stated accuracy, most of it from skew")
    assert of_rule(text.replace("300 ps", "5 ns"), bench, FitnessRule.UNCERTAINTY) is None


@pytest.mark.parametrize("limit", ["at most 0 s", "at most 100 ps", "at least -100 ps"])
def test_a_limit_with_one_end_on_what_may_be_negative_has_no_width(limit: str, bench: BenchFile) -> None:
    both, on_one = "input: 1, range: 8 V}, t: {input: 2, range: 8 V", "mode: auto, on: s, level: 1 V"
    text = recipe_text(both, f"metric: delay, of: [s, t], limit: {limit}", trigger=on_one)
    assert of_rule(text, bench, FitnessRule.UNCERTAINTY) is None


def test_a_reading_of_the_supply_beside_its_accuracy(bench: BenchFile) -> None:
    recipe = (ROOT / "recipes/supply_and_drive.yaml").read_text(encoding="utf-8")
    recipe = recipe.replace("waveform: worn_contact.csv", f"waveform: {ROOT / 'recipes/worn_contact.csv'}")
    tight = recipe.replace("50 mA ± 20 %", "50 mA ± 2 %")
    assert tight != recipe
    (found,) = ww.fitness(parse_recipe(tight, "r.yaml"), bench=bench)
    # 0.2 % of 51 mA and 2 mA, rectangular: 95 % of it
    assert found.number == pytest.approx(1.0 / (0.95 * (2 + 0.102)), rel=1e-3)
    assert found.cannot_decide
    assert (found.label, found.name) == ("limited", "drawn")
    assert ww.fitness(parse_recipe(recipe, "r.yaml"), bench=bench) == ()


# What is true of shipped recipes: that of the guarded rail shows on purpose what a gain of 1.5 % leaves undecided.
TRUE_OF_SHIPPED = {"guarded_rail.yaml": [("rail", "level", FitnessRule.UNCERTAINTY, False)]}


@pytest.mark.parametrize("name", sorted(path.name for path in (ROOT / "recipes").glob("*.yaml")))
def test_the_shipped_recipes_are_fit(name: str, bench: BenchFile) -> None:
    found = ww.fitness(ROOT / "recipes" / name, bench=bench)
    told = [(one.label, one.name, one.rule, one.cannot_decide) for one in found]
    assert told == TRUE_OF_SHIPPED.get(name, [])


def test_the_corner_of_ac_coupling_may_not_be_stated(bench: BenchFile) -> None:
    profile = bench.profiles["digitizer"]
    abilities = profile.grammar.abilities.model_copy(update={"ac_corner": None})
    silent = replace(profile, grammar=profile.grammar.model_copy(update={"abilities": abilities}))
    other = replace(bench, profiles={**bench.profiles, "digitizer": silent})
    text = recipe_text(AC, "metric: peak_to_peak, limit: at most 2 V")
    found = of_rule(text, other, FitnessRule.NOT_STATED)
    assert found is not None
    assert found.number is None
    assert of_rule(text, bench, FitnessRule.NOT_STATED) is None


UNFIT = recipe_text(NARROW, "metric: mean, limit: at most 40 kV")


def test_a_finding_says_what_the_number_the_rule_and_what_mends_it(bench: BenchFile) -> None:
    (found,) = findings(UNFIT, bench)
    assert found.sentence == (
        "one.r: this set-up cannot decide the limit: the range shows `mean` from -2.00 V to 6.00 V, and all of that is "
        "within the limit; widen `range` or move `offset`, or choose another limit"
    )
    assert found.told.endswith("(math: the ends of the converter)")
    plain = json.loads(json.dumps(found.as_json(), allow_nan=False))
    assert (plain["limit"], plain["rule"], plain["cannot_decide"]) == ("one.r", "reach", True)
    assert plain["where"] == "recipe.yaml:9:15"


def test_a_recipe_that_requires_fitness_does_not_start(bench: BenchFile) -> None:
    strict = UNFIT.replace("measurements:", "fitness: required\nmeasurements:")
    with pytest.raises(BenchFault, match="this set-up cannot decide the limit") as caught:
        prepare(parse_recipe(strict, "recipe.yaml"), bench)
    assert caught.value.exit_status == 3
    assert str(caught.value.where).startswith("recipe.yaml:10:15")
    assert "widen `range`" in caught.value.do
    sound = strict.replace("at most 40 kV", "at most 4 V")
    assert prepare(parse_recipe(sound, "recipe.yaml"), bench).fitness == ()


def test_what_is_only_noted_does_not_keep_a_run_from_starting(bench: BenchFile) -> None:
    noted = recipe_text(NARROW, "metric: maximum, limit: 5 V .. 27 V")
    strict = noted.replace("measurements:", "fitness: required\nmeasurements:")
    assert [one.cannot_decide for one in prepare(parse_recipe(strict, "recipe.yaml"), bench).fitness] == [False]


def test_several_limits_that_cannot_be_decided_are_named_at_once(bench: BenchFile) -> None:
    two = UNFIT.replace("measurements:", "fitness: required\nmeasurements:").replace(
        "compute: {r:", "compute: {q: {metric: maximum, limit: at most 50 V}, r:"
    )
    with pytest.raises(BenchFault, match="cannot decide 2 limits") as caught:
        prepare(parse_recipe(two, "recipe.yaml"), bench)
    assert len(caught.value.faults) == 2


def test_conditions_that_share_a_finding_tell_it_once(bench: BenchFile) -> None:
    text = UNFIT.replace("    timebase", "    for_each: {x: [10 us, 20 us]}\n    timebase").replace(
        "auto}", "auto, holdoff: $x}"
    )
    assert len(findings(text, bench)) == 1


def test_a_run_says_it_first(run_text: Callable[..., Outcome]) -> None:
    class Told:
        def __init__(self) -> None:
            self.lines: list[str] = []

        def confirm(self, text: str) -> None:
            self.lines.append(text)

        def say(self, text: str) -> None:
            self.lines.append(text)

    desk = Told()
    run_text(UNFIT, desk=desk)
    assert desk.lines[0].startswith("FITNESS: one.r: this set-up cannot decide the limit")
    silent = Told()
    run_text(UNFIT, desk=silent, batch="lot-7")  # who starts a batch says it once for all units
    assert not [line for line in silent.lines if line.startswith("FITNESS")]


def test_it_takes_no_instrument(bench: BenchFile) -> None:
    elsewhere = load_bench(ROOT / "sim/bench.yaml")
    grammar = elsewhere.grammar.model_copy(update={"library": "/nowhere/libvisa.so"})
    assert findings(UNFIT, replace(elsewhere, grammar=grammar)) == findings(UNFIT, bench)
