"""The JSON Schema that editors use."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.recipe.conftest import HEAD
from tests.recipe.test_later_keys import CLOCK, COIL
from tests.recipe.test_scenario import END_OF_LINE
from wavewright.analysis.catalogue import metrics
from wavewright.buses.catalogue import buses, layers
from wavewright.buses.frame_metrics import frame_metrics
from wavewright.grammar.located_yaml import parse_tree
from wavewright.grammar.model_reading import plain
from wavewright.recipe.schema import recipe_schema


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    return recipe_schema()


def entry(schema: dict[str, Any], block: str) -> dict[str, Any]:
    found: dict[str, Any] = schema["$defs"]["Measurement"]["properties"][block]["additionalProperties"]
    return found


def nodes(node: Any) -> Iterator[dict[str, Any]]:
    if isinstance(node, dict):
        yield node
        node = list(node.values())
    for inner in node if isinstance(node, list) else ():
        yield from nodes(inner)


def test_every_property_is_described(schema: dict[str, Any]) -> None:
    found = [item for node in nodes(schema) for item in node.get("properties", {}).items() if isinstance(item[1], dict)]
    assert len(found) > 100
    assert not [name for name, property_ in found if not property_.get("description")]


def test_every_metric_is_offered_with_its_definition(schema: dict[str, Any]) -> None:
    offered = entry(schema, "compute")["properties"]["metric"]["anyOf"]
    definitions = {name: metric.definition for name, metric in {**metrics(), **frame_metrics()}.items()}
    assert {choice["const"]: choice["description"] for choice in offered} == definitions


def test_every_bus_and_layer_is_offered(schema: dict[str, Any]) -> None:
    keys = entry(schema, "decode")["properties"]
    assert {choice["const"] for choice in keys["bus"]["anyOf"]} == set(buses())
    assert {choice["const"] for choice in keys["then"]["anyOf"]} == set(layers())
    assert keys["tx"]["description"] == "channel on this line of uart"


def test_every_option_of_a_metric_and_of_a_bus_is_a_key(schema: dict[str, Any]) -> None:
    for block, catalogue in (
        ("compute", metrics()),
        ("compute", frame_metrics()),
        ("decode", buses()),
        ("decode", layers()),
    ):
        options = {parameter.name for found in catalogue.values() for parameter in found.parameters}
        assert options <= entry(schema, block)["properties"].keys()
        assert entry(schema, block)["additionalProperties"] is False


def test_unknown_keys_are_refused_everywhere(schema: dict[str, Any]) -> None:
    objects = [node for node in nodes(schema) if isinstance(node.get("properties"), dict) and "title" in node]
    assert len(objects) > 15
    assert not [node["title"] for node in objects if node.get("additionalProperties") is True]
    assert schema["additionalProperties"] is False


@pytest.mark.parametrize("text", [END_OF_LINE, HEAD + COIL, HEAD + CLOCK])
def test_an_independent_validator_takes_what_we_take(schema: dict[str, Any], text: str) -> None:
    # jsonschema 4.26, an implementation of JSON Schema draft 2020-12 that knows nothing of ours
    Draft202012Validator.check_schema(schema)
    assert not [error.message for error in Draft202012Validator(schema).iter_errors(plain(parse_tree(text, "f")))]


@pytest.mark.parametrize(
    "stands, instead",
    [
        ("place:", "plaec:"), ("shots: 16", "shots: x16x, shoots: 3"), ("coupling: ac", "coupling: acc"),
        ("metric: peak_to_peak", "metric: peak"), ("over: max", "ovre: max"), ("wavewright: 1", "wavewright: 2"),
        ("title: VC-204 end-of-line check", "titel: x"), ("bus: uart", "bus: usart"), ("baud:", "boud:"),
    ],
)  # fmt: skip
def test_an_independent_validator_refuses_what_we_refuse(schema: dict[str, Any], stands: str, instead: str) -> None:
    assert stands in END_OF_LINE
    tree = plain(parse_tree(END_OF_LINE.replace(stands, instead, 1).replace("shots: x16x, ", "shots: 16\n    "), "f"))
    assert list(Draft202012Validator(schema).iter_errors(tree))


def test_references_lead_somewhere(schema: dict[str, Any]) -> None:
    references = {node["$ref"] for node in nodes(schema) if isinstance(node.get("$ref"), str)}
    assert references <= {f"#/$defs/{name}" for name in schema["$defs"]}


def test_where_a_word_is_due_a_name_may_stand(schema: dict[str, Any]) -> None:
    assert {"type": "string", "pattern": r"\$", "description": "a parameter or a name of for_each"} in (
        schema["$defs"]["Coupling"]["anyOf"]
    )
