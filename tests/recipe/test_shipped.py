"""The recipes that we ship."""

from __future__ import annotations

from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from wavewright.grammar.located_yaml import parse_tree
from wavewright.grammar.model_reading import plain
from wavewright.recipe.load import load_recipe
from wavewright.recipe.schema import recipe_schema

SHIPPED = sorted((Path(__file__).parents[2] / "recipes").glob("*.yaml"))


def test_recipes_are_shipped() -> None:
    assert SHIPPED


@pytest.mark.parametrize("path", SHIPPED, ids=[path.stem for path in SHIPPED])
def test_a_shipped_recipe_loads_and_editors_find_nothing_to_mark(path: Path) -> None:
    recipe = load_recipe(path)
    assert recipe.title
    # jsonschema 4.26, an implementation of JSON Schema draft 2020-12 that knows nothing of ours
    tree = plain(parse_tree(recipe.text, path.name))
    assert not [error.message for error in Draft202012Validator(recipe_schema()).iter_errors(tree)]
