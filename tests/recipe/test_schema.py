"""The JSON Schema that editors use."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from wavewright.analysis.catalogue import metrics
from wavewright.recipe.schema import recipe_schema


def properties(node: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(node, dict):
        for name, schema in node.get("properties", {}).items():
            yield f"{path}.{name}", schema
        for key, inner in node.items():
            yield from properties(inner, f"{path}.{key}")
    elif isinstance(node, list):
        for inner in node:
            yield from properties(inner, path)


def test_every_property_is_described() -> None:
    found = list(properties(recipe_schema()))
    assert len(found) > 50
    assert not [path for path, schema in found if not schema.get("description")]


def test_every_metric_is_offered_with_its_definition() -> None:
    entry = recipe_schema()["$defs"]["Measurement"]["properties"]["compute"]["additionalProperties"]
    offered = {choice["const"]: choice["description"] for choice in entry["properties"]["metric"]["anyOf"]}
    assert offered == {name: metric.definition for name, metric in metrics().items()}


def test_every_option_of_a_metric_is_a_key() -> None:
    entry = recipe_schema()["$defs"]["Measurement"]["properties"]["compute"]["additionalProperties"]
    options = {parameter.name for metric in metrics().values() for parameter in metric.parameters}
    assert options <= entry["properties"].keys()
    assert entry["additionalProperties"] is False


def test_unknown_keys_are_refused_everywhere() -> None:
    schema = recipe_schema()
    assert schema["additionalProperties"] is False
    objects = {name: entry for name, entry in schema["$defs"].items() if "properties" in entry}
    assert not [name for name, entry in objects.items() if entry.get("additionalProperties") is not False]


def test_references_lead_somewhere() -> None:
    schema = recipe_schema()

    def references(node: Any) -> Iterator[str]:
        if isinstance(node, dict):
            yield from ([node["$ref"]] if isinstance(node.get("$ref"), str) else [])
            node = list(node.values())
        for inner in node if isinstance(node, list) else ():
            yield from references(inner)

    assert set(references(schema)) <= {f"#/$defs/{name}" for name in schema["$defs"]}
