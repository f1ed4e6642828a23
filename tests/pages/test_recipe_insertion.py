from __future__ import annotations

import pytest
from ruamel.yaml import YAML

from tests.pages.command_watched import ROOT
from wavewright.errors import Misuse
from wavewright.pages.recipe_insertion import with_value
from wavewright.recipe.load import parse_recipe

END_OF_LINE = (ROOT / "recipes/end_of_line.yaml").read_text()
OWN = """\
wavewright: 1
title: Own
measurements:
  bare:
    channels: {c: {input: 1, range: 8 V}}
    timebase: {span: 1 ms, points: 1k}
    # the end of it


  block:
    channels: {c: {input: 1, range: 8 V}}
    timebase:
      span: 1 ms   # a comment
      points: 1k
    compute:
      mean:
        # why
        of: c
      pulses:
"""
PLACES = [
    # where, what, and the lines that are new, by hand
    (END_OF_LINE, ("rail_noise", "compute", "mean"), "{of: rail}", ["      mean: {of: rail}"]),
    (END_OF_LINE, ("telegram", "compute", "frames"), "{of: line}", ["      frames: {of: line}"]),
    (OWN, ("bare", "compute", "mean"), "{of: c}", ["    compute:", "      mean: {of: c}"]),
    (OWN, ("block", "compute", "mean", "limit"), "1 V .. 2 V", ["        limit: 1 V .. 2 V"]),
    (OWN, ("block", "compute", "pulses", "limit"), "exactly 5", ["        limit: exactly 5"]),
    (OWN, ("block", "timebase", "before_trigger"), "1 us", ["      before_trigger: 1 us"]),
]


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("text, path, value, new", PLACES)
def test_new_lines_are_all_that_is_new(
    text: str, path: tuple[str, ...], value: str, new: list[str], line_end: str
) -> None:
    text = text.replace("\n", line_end)
    after = with_value(text, ("measurements", *path), value)
    lines, before = after.split(line_end), text.split(line_end)
    begin = next(place for place, (one, other) in enumerate(zip(lines, before, strict=False)) if one != other)
    assert lines[begin : begin + len(new)] == new
    assert lines[:begin] + lines[begin + len(new) :] == before
    node = YAML(typ="safe").load(after)["measurements"]
    for key in path:
        node = node[key]
    assert node == YAML(typ="safe").load(value)


def test_a_value_in_braces_is_put_before_the_brace() -> None:
    after = with_value(END_OF_LINE, ("measurements", "rail_noise", "timebase", "before_trigger"), "1 us")
    assert "    timebase: {span: 2 ms, rate: 25 MHz, before_trigger: 1 us}\n" in after
    assert parse_recipe(after, "x").measurements


def test_a_comment_above_is_replaced_by_its_like() -> None:
    path = ("measurements", "rail_noise", "compute", "ripple", "limit")
    once = with_value(END_OF_LINE, path, "at most 50 mV", comment="limit of ripple: 25 good units")
    twice = with_value(once, path, "at most 51 mV", comment="limit of ripple: 30 good units")
    assert once.count("\n") == END_OF_LINE.count("\n") + 1
    assert twice == once.replace("25 good", "30 good").replace("50 mV", "51 mV")


@pytest.mark.parametrize("value", ["a: b: c", "{", "x}, y: {", "1 V # so"])
def test_what_would_change_something_else_is_refused(value: str) -> None:
    with pytest.raises(Misuse):
        with_value(END_OF_LINE, ("measurements", "rail_noise", "compute", "ripple", "limit"), value)
