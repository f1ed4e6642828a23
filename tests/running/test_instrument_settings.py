from __future__ import annotations

import math

import pytest

from wavewright.analysis.parameters import Slope
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.measurement import Measurement
from wavewright.running.instrument_settings import (
    EDGE_SAMPLES,
    requested_setup,
    source_setup,
    split_stimulus,
    supply_setup,
)

HEAD = "wavewright: 1\ntitle: t\nmeasurements:\n  m:\n"


def measurement(text: str) -> Measurement:
    return parse_recipe(HEAD + text, "r.yaml").measurements[0]


PLAIN = """
    channels: {a: {input: 1, range: 8 V, offset: 2 V}, b: {input: 2, range: auto, probe: 1x, bandwidth_limit: 20 MHz}}
    timebase: {span: 8 ms, before_trigger: 1 ms, points: 80k}
    trigger: {mode: normal, on: b, edge: falling, level: 1.65 V, hysteresis: 100 mV, holdoff: 1 ms, timeout: 2 s}
"""


def test_inputs_take_the_benchs_probe_unless_the_recipe_names_one() -> None:
    setup = requested_setup(measurement(PLAIN), attenuations={1: 10.0, 2: 10.0}).setup
    assert (setup.inputs["a"].attenuation, setup.inputs["b"].attenuation) == (10.0, 1.0)
    assert (setup.inputs["a"].range, setup.inputs["a"].offset) == (8.0, 2.0)
    assert setup.inputs["b"].bandwidth_limit == 20e6


def test_the_trigger_is_what_the_recipe_says() -> None:
    trigger = requested_setup(measurement(PLAIN), attenuations={}).setup.trigger
    assert (trigger.mode, trigger.on, trigger.edge, trigger.level) == ("normal", "b", Slope.FALLING, 1.65)
    assert (trigger.hysteresis, trigger.holdoff, trigger.timeout) == (0.1, 1e-3, 2.0)


@pytest.mark.parametrize(
    "timebase, points, interval",
    [
        ("{span: 8 ms, points: 80k}", 80_000, 100e-9),
        ("{span: 2 ms, rate: 25 MHz}", 50_000, 40e-9),
    ],
)
def test_a_span_with_points_or_a_rate_is_a_record(timebase: str, points: int, interval: float) -> None:
    # math: points = span * rate, interval = span / points
    text = f"    channels: {{a: {{input: 1, range: 1 V}}}}\n    timebase: {timebase}\n"
    record = requested_setup(measurement(text), attenuations={}).setup.timebase
    assert record.points == points
    assert record.interval == pytest.approx(interval)


def test_without_a_word_about_it_the_edge_that_triggers_is_in_the_record() -> None:
    text = "    channels: {a: {input: 1, range: 1 V}}\n    timebase: {span: 1 ms, rate: 1 MHz}\n"
    assert requested_setup(measurement(text), attenuations={}).setup.timebase.before_trigger == pytest.approx(
        EDGE_SAMPLES * 1e-6
    )
    none = text.replace("rate: 1 MHz", "rate: 1 MHz, before_trigger: 0 s")
    assert requested_setup(measurement(none), attenuations={}).setup.timebase.before_trigger == 0.0


def test_what_is_automatic_is_to_be_found_out() -> None:
    text = "    channels: {a: {input: 1}, b: {input: 2, range: 1 V}}\n    timebase: {cycles: 20}\n"
    goal = requested_setup(measurement(text), attenuations={})
    assert (goal.auto_ranges, goal.cycles, goal.auto_level) == (("a",), 20, True)
    assert goal.setup.trigger.on == "a"
    assert not requested_setup(measurement(PLAIN.replace("range: auto", "range: 4 V")), attenuations={}).is_automatic


STIMULUS = """
    channels: {a: {input: 1, range: 1 V}}
    timebase: {span: 1 ms, points: 1k}
    trigger: {mode: MODE, level: 0 V}
    stimulus:
      - {supply: {output: off}, then_wait: 200 ms}
      - {source: {function: sine}}
      - {supply: {voltage: 24 V, current_limit: 1 A, output: on}}
"""


def test_in_normal_mode_what_is_after_the_last_wait_comes_after_arming() -> None:
    before, after = split_stimulus(measurement(STIMULUS.replace("MODE", "normal")))
    assert (len(before), len(after)) == (1, 2)


def test_in_normal_mode_without_a_wait_all_comes_after_arming() -> None:
    text = STIMULUS.replace("MODE", "normal").replace(", then_wait: 200 ms", "")
    before, after = split_stimulus(measurement(text))
    assert (len(before), len(after)) == (0, 3)


def test_in_auto_mode_all_comes_before_arming() -> None:
    before, after = split_stimulus(measurement(STIMULUS.replace("MODE", "auto")))
    assert (len(before), len(after)) == (3, 0)


def test_steps_become_setups_in_si_units() -> None:
    text = STIMULUS.replace("MODE", "auto").replace(
        "function: sine", "function: square, high: 5 V, low: 1 V, phase: 90 deg"
    )
    off, source, on = measurement(text).stimulus
    assert off.supply is not None
    assert source.source is not None
    assert on.supply is not None
    assert supply_setup(off.supply).output is False
    assert (supply_setup(on.supply).voltage, supply_setup(on.supply).output) == (24.0, True)
    # math: 1 V to 5 V is 4 V peak to peak round 3 V; 90 degrees are pi / 2
    setup = source_setup(source.source)
    assert (setup.amplitude, setup.offset) == (4.0, 3.0)
    assert setup.phase == pytest.approx(math.pi / 2)
