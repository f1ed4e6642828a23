"""Whatever is put into a recipe, it loads or says what is wrong in the file: nothing else comes out."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.recipe.conftest import HEAD
from tests.recipe.test_later_keys import CLOCK, COIL, TELEGRAM
from tests.recipe.test_scenario import END_OF_LINE
from wavewright.errors import FileFault
from wavewright.grammar.located_yaml import parse_tree
from wavewright.grammar.model_reading import plain
from wavewright.recipe.load import parse_recipe

SOURCE_AND_SUPPLY = (Path(__file__).parents[2] / "recipes/supply_and_drive.yaml").read_text(encoding="utf-8")
TEXTS = (END_OF_LINE, HEAD + COIL + TELEGRAM + CLOCK, SOURCE_AND_SUPPLY)
RECIPES = [plain(parse_tree(text, "f")) for text in TEXTS]
# Everything that may stand at a place where something else is due.
STRANGE: list[object] = [
    *(None, True, False, 0, -1, 1e9, "", "x", "5 V", "3 ms", "40 %", "10x", "$duty", "$nothing", "a b", "on", "*"),
    *([], {}, [[]], [{}], [None], {"x": 1}, {"metric": None}, {"bus": {}}, ["rail", "rail"], {"rail": {"input": 1}}),
    *("\u00b5", "1e400 s"),
]


def places(node: object, path: tuple[object, ...] = ()) -> Iterator[tuple[object, ...]]:
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, inner in items:
        yield (*path, key)
        yield from places(inner, (*path, key))


def replaced(node: object, path: tuple[object, ...], value: object) -> object:
    if not path:
        return value
    if isinstance(node, dict):
        return {key: replaced(inner, path[1:], value) if key == path[0] else inner for key, inner in node.items()}
    assert isinstance(node, list)
    return [replaced(inner, path[1:], value) if key == path[0] else inner for key, inner in enumerate(node)]


PLACES = [(number, path) for number, recipe in enumerate(RECIPES) for path in places(recipe)]


@pytest.mark.slow
@settings(max_examples=60)
@given(st.sampled_from(PLACES), st.sampled_from(STRANGE))
def test_anything_anywhere_loads_or_is_a_fault_of_the_file(
    place: tuple[int, tuple[object, ...]], value: object
) -> None:
    number, path = place
    text = yaml.safe_dump(replaced(RECIPES[number], path, value), sort_keys=False, allow_unicode=True)
    try:
        parse_recipe(text, "recipe.yaml")
    except FileFault as fault:
        message, faults = str(fault), fault.faults
    else:
        return
    assert all(line.startswith(("recipe.yaml:", "  ")) for line in message.splitlines()), message
    assert "Input should" not in message, message
    assert len(faults) == len({(str(fault.where), fault.what) for fault in faults}), message
