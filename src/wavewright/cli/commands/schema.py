"""`wavewright schema recipe|bench|profile`: the JSON Schema that editors use."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Annotated, Any

import typer

from wavewright.cli.output import print_json


class Kind(StrEnum):
    """The files that people write."""

    RECIPE = "recipe"
    BENCH = "bench"
    PROFILE = "profile"


def schema(kind: Annotated[Kind, typer.Argument(help="Which file.")]) -> None:
    """Print the JSON Schema of a recipe, a bench or a profile, for editors to complete keys and mark faults."""
    print_json(_SCHEMAS[kind]())


def _recipe() -> dict[str, Any]:
    from wavewright.recipe.schema import recipe_schema

    return recipe_schema()


def _bench() -> dict[str, Any]:
    from wavewright.instruments.bench_file import BenchGrammar
    from wavewright.recipe.schema import model_schema

    return model_schema(BenchGrammar)


def _profile() -> dict[str, Any]:
    from wavewright.instruments.profile_grammar import ProfileFile
    from wavewright.recipe.schema import model_schema

    return model_schema(ProfileFile)


_SCHEMAS: Mapping[Kind, Callable[[], dict[str, Any]]] = {
    Kind.RECIPE: _recipe,
    Kind.BENCH: _bench,
    Kind.PROFILE: _profile,
}
