"""A run that was recorded in the words of an earlier day is still read."""

from __future__ import annotations

from pathlib import Path

import pytest

from wavewright.earlier_spellings import in_words_of_today
from wavewright.errors import FileFault
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.stored_recipe import parse_stored_recipe

SHIPPED = Path("recipes/end_of_line.yaml").read_text(encoding="utf-8")
EARLIER = SHIPPED.replace('{holds: "11 03"}', '{contains: "11 03"}')


def test_the_shipped_recipe_in_its_earlier_words_is_refused_when_written_and_read_when_stored() -> None:
    assert EARLIER != SHIPPED
    with pytest.raises(FileFault, match="`holds`"):
        parse_recipe(EARLIER, "end_of_line.yaml")
    recipe = parse_stored_recipe(EARLIER, "end_of_line.yaml")
    assert recipe.text == EARLIER  # what was recorded is what is told
    assert [one.label for one in recipe] == [one.label for one in parse_recipe(SHIPPED, "end_of_line.yaml")]


@pytest.mark.parametrize(
    "earlier, today",
    [
        ("find: \"address in 0x40..0x4F\"", "find: \"address between 0x40 and 0x4F\""),
        ("find: 'duration in 1.5ms..2ms and not error'", "find: 'duration between 1.5ms and 2ms and not error'"),
        ("find: 'text ~ \"OK\"'", "find: 'text like_regex \"OK\"'"),
        ('find: "text ~ \\"OK\\""', 'find: "text like_regex \\"OK\\""'),
        ("find: kind!=read", "find: kind <> read"),
        ("find: 'data contains \"11 03\"'", "find: 'data holds \"11 03\"'"),
        ("{metric: time_between, of: reset, hold_off: 2 us}", "{metric: time_between, of: reset, holdoff: 2 us}"),
        ("convention: thomas, bit_order: lsb", "convention: inverted, bit_order: lsb"),
        ("mask: {around: a.h5, time: 1 us, voltage: 50 mV}", "mask: {around: a.h5, time: 1 us, level: 50 mV}"),
        ("mask: {voltage: 50 mV, around: a.h5}", "mask: {level: 50 mV, around: a.h5}"),
        ("mask:\n  around: a.h5\n  voltage: 50 mV\n", "mask:\n  around: a.h5\n  level: 50 mV\n"),
        ("mask: {polygons: []}}\nsupply: {voltage: 5 V}", "mask: {polygons: []}}\nsupply: {voltage: 5 V}"),
        ("limit: 1.6 ms .. 3.2 ms", "limit: 1.6 ms .. 3.2 ms"),
        ('about: "what it contains: nothing"', 'about: "what it holds: nothing"'),  # nobody reads it for a verdict
    ],
)  # fmt: skip
def test_searches_are_read_in_their_words_of_today(earlier: str, today: str) -> None:
    assert in_words_of_today(earlier) == today
    assert in_words_of_today(today) == today


def test_a_fault_that_is_no_spelling_is_told_of_the_text_as_it_was_stored() -> None:
    with pytest.raises(FileFault) as told:
        parse_stored_recipe(EARLIER.replace("metric: frame_errors", "metric: frame_erors"), "end_of_line.yaml")
    assert "frame_erors" in str(told.value)
