"""What the steps of a stimulus say, and what they must not say together."""

from __future__ import annotations

from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from wavewright.errors import FileFault
from wavewright.grammar.located_yaml import parse_tree
from wavewright.grammar.model_reading import plain
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.schema import recipe_schema
from wavewright.recipe.stimulus import SourceStep

HEAD = """wavewright: 1
title: t
measurements:
  m:
    channels: {a: {input: 1, range: 8 V}}
    timebase: {span: 1 ms, points: 1k}
    trigger: {mode: normal, level: 1 V}
    stimulus:
"""


def text_of(*steps: str) -> str:
    return HEAD + "".join(f"      - source: {step}\n" for step in steps)


def step_of(text: str) -> SourceStep:
    source = parse_recipe(text_of(text), "folder/r.yaml").measurements[0].stimulus[0].source
    assert source is not None
    return source


def test_a_burst_starts_with_its_step_unless_it_is_to_wait() -> None:
    at_once = step_of("{function: sine, burst: {cycles: 3}}")
    waits = step_of("{function: sine, burst: {cycles: 1k, starts: when_told}}")
    assert (at_once.burst_cycles, at_once.starts_burst) == (3, True)
    assert (waits.burst_cycles, waits.starts_burst) == (1000, False)
    assert (step_of("{burst: off}").burst_cycles, step_of("{function: sine}").burst_cycles) == (0, None)


def test_a_stored_waveform_lies_where_the_recipe_lies() -> None:
    step = step_of("{function: arbitrary, waveform: waves/sag.csv, channel: 2}")
    assert step.waveform is not None
    assert (step.waveform.path, step.channel) == (Path("folder/waves/sag.csv"), "2")
    assert str(step.waveform.place) == "folder/r.yaml:9:49"
    absolute = step_of("{function: arbitrary, waveform: /waves/sag.csv}").waveform
    assert absolute is not None
    assert absolute.path == Path("/waves/sag.csv")


FAULTS = [
    ("{function: sine, burst: {cycels: 3}}", "9:42: unknown key `cycels`", "did you mean `cycles`?"),
    ("{function: sine, burst: {starts: at_once}}", "9:34: `cycles` is missing", "how many periods"),
    ("{function: sine, burst: {cycles: 0}}", "9:50: `0` is not a count", "at least 1"),
    ("{function: sine, burst: {cycles: 2, starts: later}}", "9:61: `starts` is `later`", "at_once, when_told"),
    ("{function: sine, burst: 3}", "9:41: `burst` is `3`", "`off`, or such as `{cycles: 3}`"),
    ("{function: dc, burst: {cycles: 3}}", "9:17: a burst of `dc`", "a periodic function"),
    ("{output: off, burst: {cycles: 3}}", "9:17: a burst that starts while the output is off", "`starts: when_told`"),
    ("{burst: {cycles: 3}, start: burst}", "9:17: `start` and `burst` in one step", "or two steps"),
    ("{start: burst}", "9:25: `start: burst`, and no burst was set up", "a step above it"),
    ("{start: brust}", "9:25: `start` is `brust`", "did you mean `burst`?"),
    ("{function: sine, symmetry: 30 %}", "9:44: `symmetry` of a source whose function is sine", "`function: ramp`"),
    ("{function: square, duty_factor: 30 %}", "9:49: `duty_factor` of a source", "`function: pulse`"),
    ("{function: ramp, symmetry: 130 %}", "9:44: `130 %`", "at most 100 %"),
    ("{high: 3 V}", "9:24: `high` without `low`", "both, or `amplitude` and `offset`"),
    ("{low: 3 V}", "9:23: `low` without `high`", "both, or `amplitude` and `offset`"),
    ("{function: arbitrary}", "9:17: `function: arbitrary` without `waveform`", "a stored waveform"),
    ("{function: sine, waveform: a.csv}", "9:44: `waveform: a.csv` without `function: arbitrary`", "in one step"),
    ("{function: sine, channel: 2}", "9:17: `channel` without `waveform`", "the file that has the channel"),
    ("{function: arbitrary, waveform: [a.csv]}", "9:49: not a text", "some words"),
]  # fmt: skip


@pytest.mark.parametrize("step, said, expected", FAULTS, ids=[row[0] for row in FAULTS])
def test_a_step_that_makes_no_sense_is_refused_at_its_place(step: str, said: str, expected: str) -> None:
    with pytest.raises(FileFault) as caught:
        parse_recipe(text_of(step), "r.yaml")
    assert f"r.yaml:{said}" in str(caught.value)
    assert expected in str(caught.value)
    assert "Input should" not in str(caught.value)


@pytest.mark.parametrize(
    "step, said, expected",
    [
        ("{voltage: 5 V, trip: allow}", "9:17: `trip` in a step that sets no protection", "`current_protection`"),
        ("{current_protection: 1 A, trip: deny}", "9:49: `trip` is `deny`", "allow"),
        ("{current_protection: 1 A, trips: allow}", "9:43: unknown key `trips`", "did you mean `trip`?"),
    ],
)
def test_a_trip_is_allowed_where_a_protection_is_set(step: str, said: str, expected: str) -> None:
    text = text_of("{function: sine}")
    with pytest.raises(FileFault) as caught:
        parse_recipe(text.replace("source: {function: sine}", f"supply: {step}"), "r.yaml")
    assert f"r.yaml:{said}" in str(caught.value)
    assert expected in str(caught.value)


def test_a_burst_that_was_switched_off_again_cannot_be_started() -> None:
    steps = ("{function: sine, burst: {cycles: 3, starts: when_told}}", "{start: burst}")
    parse_recipe(text_of(*steps), "r.yaml")
    with pytest.raises(FileFault, match=r"r.yaml:11:25: `start: burst`, and no burst was set up"):
        parse_recipe(text_of(steps[0], "{burst: off}", steps[1]), "r.yaml")


@pytest.mark.parametrize(
    "stands, instead",
    [
        (", range: 8 V", ""),
        ("range: 8 V", "range: auto"),
        (", level: 1 V", ""),
        ("span: 1 ms, points: 1k", "cycles: 9"),
    ],
)
def test_a_burst_cannot_be_searched(stands: str, instead: str) -> None:
    text = text_of("{function: sine, burst: {cycles: 3}}")
    assert stands in text
    with pytest.raises(FileFault, match=r"r.yaml:9:34: a burst ends before an automatic range") as caught:
        parse_recipe(text.replace(stands, instead), "r.yaml")
    assert "as quantities" in str(caught.value)
    # what stands still after a burst can be searched, and so can a signal without an end
    parse_recipe(text.replace(stands, instead).replace("mode: normal", "mode: auto"), "r.yaml")
    parse_recipe(text.replace(stands, instead).replace("{cycles: 3}", "off"), "r.yaml")


@pytest.mark.parametrize(
    "step, is_taken",
    [
        ("{function: ramp, symmetry: 30 %, burst: {cycles: 3}}", True),
        ("{function: arbitrary, waveform: sag.csv, channel: 2, burst: off}", True),
        ("{start: burst}", True),
        ("{function: sine, burst: on}", False),
        ("{function: sine, burst: {cycels: 3}}", False),
        ("{function: saw}", False),
    ],
)
def test_the_schema_has_these_keys(step: str, is_taken: bool) -> None:
    # jsonschema 4.26, an implementation of JSON Schema draft 2020-12 that knows nothing of ours
    tree = plain(parse_tree(text_of(step), "f"))
    assert Draft202012Validator(recipe_schema()).is_valid(tree) is is_taken
