from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import Misuse
from wavewright.pages.page_requests import SpanRequest
from wavewright.pages.seen_shots import SeenShots
from wavewright.pages.written_changes import limits_change, span_change
from wavewright.quantities import read_interval
from wavewright.recipe.load import parse_recipe
from wavewright.running.shot import ExaminedShot
from wavewright.waveform import Capture, Waveform

RECIPE = """\
wavewright: 1
title: Levels
parameters: {top: {default: 3 V}}
measurements:
  level:
    channels: {line: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 1 ms, points: 1k}
    trigger: {mode: auto, level: 1 V}
    compute:
      mean: {limit: at most 3 V}   # a comment
      maximum: {}
      pulses: {limit: exactly 0}
"""
SWEPT = RECIPE.replace("    compute", "    for_each: {top: [1 V, 2 V]}\n    compute").replace("most 3 V}", "most $top}")
CYCLES = RECIPE.replace("{span: 1 ms, points: 1k}", "{cycles: 20}")


def seen(text: str, shots: int) -> SeenShots:
    """Shots of a level near 2 V that scatters by 10 mV."""
    recipe = parse_recipe(text, "level.yaml")
    found = SeenShots(recipe, recipe.measurements[0])
    levels = np.random.default_rng(7).normal(2.0, 0.01, shots)
    for level in levels:
        codes = np.random.default_rng(int(1e6 * level)).normal(level, 1e-3, 1000)
        wave = Waveform.from_volts(codes, interval=1e-6, name="line")
        found.add(ExaminedShot(Capture({"line": wave}), found.measurement))
    return found


def test_limits_keep_their_side_and_say_where_they_come_from() -> None:
    text, names = limits_change(RECIPE, 30, seen(RECIPE, 30))
    recipe = parse_recipe(text, "level.yaml")
    entries = recipe.measurements[0].compute
    assert names == ["mean", "maximum"], "a number of things has no scatter to propose a limit from"
    assert "# limit of mean: 30 shots: mean " in text
    assert "   # a comment\n" in text
    upper = read_interval(str(entries["mean"].limit), unit="V")
    assert upper.low == -np.inf
    # one-sided, n = 30, 99.9 % with 95 %: k = 3.9 or so; the mean is within 10 mV / sqrt(30) or so of 2 V
    assert 2.0 + 2 * 0.01 < upper.high < 2.0 + 6 * 0.01
    both = read_interval(str(entries["maximum"].limit), unit="V")
    assert both.low < 2.0 < both.high
    assert str(entries["pulses"].limit) == "exactly 0"


def test_limits_of_one_condition_are_not_those_of_all() -> None:
    with pytest.raises(Misuse, match="limits are for every condition"):
        limits_change(SWEPT, 5, seen(SWEPT, 6))


def test_limits_of_fewer_shots_than_there_were_are_refused() -> None:
    with pytest.raises(Misuse, match="4 shots since the last change"):
        limits_change(RECIPE, 5, seen(RECIPE, 4))


@given(start=st.floats(-5e-4, 9e-4), span=st.floats(1e-5, 1e-2))
def test_a_span_holds_all_of_the_view_and_the_trigger(start: float, span: float) -> None:
    recipe = parse_recipe(RECIPE, "level.yaml")
    wanted = SpanRequest(do="span_from_view", start=start, span=span)
    if start + span <= 0:
        with pytest.raises(Misuse, match="before the trigger"):
            span_change(RECIPE, wanted, recipe.measurements[0])
        return
    timebase = parse_recipe(span_change(RECIPE, wanted, recipe.measurements[0]), "x").measurements[0].timebase
    before = 0.0 if timebase.before_trigger is None else timebase.before_trigger.value
    shown = max(start + span, 0.0) - min(start, 0.0)
    assert timebase.span is not None
    assert timebase.span.value == pytest.approx(shown, rel=0.02)
    assert before == pytest.approx(-min(start, 0.0), abs=0.02 * shown)


def test_a_time_base_in_cycles_has_no_span_to_be_written() -> None:
    (measurement,) = parse_recipe(CYCLES, "level.yaml").measurements
    with pytest.raises(Misuse, match="in cycles"):
        span_change(CYCLES, SpanRequest(do="span_from_view", start=0.0, span=1e-3), measurement)
