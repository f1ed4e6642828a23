"""JSON Schema (draft 2020-12) of our files, as editors use it to complete keys and to mark faults while typing."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from wavewright.analysis.catalogue import metrics
from wavewright.judgement.joining import OVER
from wavewright.recipe.recipe import RecipeFile

DIALECT = "https://json-schema.org/draft/2020-12/schema"
NAMED = {"type": "string", "pattern": r"\$", "description": "a parameter or a name of for_each"}


def recipe_schema() -> dict[str, Any]:
    """The schema of a recipe, with the metrics, their definitions and their options as the catalogue has them."""
    schema = model_schema(RecipeFile)
    _allow_names(schema["$defs"])
    entry = schema["$defs"]["Measurement"]["properties"]["compute"]["additionalProperties"]
    entry["properties"]["metric"] |= {
        "anyOf": [{"const": name, "description": metric.definition} for name, metric in metrics().items()]
    }
    entry["properties"]["over"] |= {
        "anyOf": [{"const": name, "description": over.definition} for name, over in OVER.items()]
    }
    for option, owners in _options().items():
        entry["properties"].setdefault(option, {"description": f"option of {', '.join(owners)}"})
    entry["additionalProperties"] = False
    return schema


def model_schema(model: type[BaseModel]) -> dict[str, Any]:
    """The schema of any file that `read_model` reads into a pydantic model."""
    return {"$schema": DIALECT, **model.model_json_schema(by_alias=True, mode="validation")}


def _options() -> dict[str, list[str]]:
    """Every option of a metric, and the metrics that have it."""
    found: dict[str, list[str]] = {}
    for name, metric in metrics().items():
        for parameter in metric.parameters:
            found.setdefault(parameter.name, []).append(name)
    return dict(sorted(found.items()))


def _allow_names(definitions: dict[str, Any]) -> None:
    """Where one of some words is due, `$name` may stand as well."""
    for definition in definitions.values():
        if "enum" in definition:
            words = {key: definition.pop(key) for key in ("enum", "type")}
            definition["anyOf"] = [words, NAMED]
