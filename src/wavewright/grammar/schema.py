"""JSON Schema (draft 2020-12) of our files, as editors use it to complete keys and to mark faults while typing."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def model_schema(model: type[BaseModel]) -> dict[str, Any]:
    """The schema of any file that `read_model` reads into a pydantic model; every key has its examples."""
    schema = {"$schema": DIALECT, **model.model_json_schema(by_alias=True, mode="validation")}
    add_examples(schema)
    return schema


def add_examples(schema: dict[str, Any]) -> None:
    """Give each property without examples those of its type: a quantity's, a word of a choice, true and false."""
    definitions = schema.get("$defs", {})
    for property_ in properties(schema):
        if "examples" not in property_ and (found := list(_examples(property_, definitions))):
            property_["examples"] = found


def properties(node: Any) -> Iterator[dict[str, Any]]:
    """Every property that is described anywhere in a schema."""
    if isinstance(node, dict):
        owned = node.get("properties", {})
        yield from (one for one in owned.values() if isinstance(one, dict)) if isinstance(owned, dict) else ()
        node = [inner for key, inner in node.items() if key not in ("examples", "default")]
    for inner in node if isinstance(node, list) else ():
        yield from properties(inner)


def _examples(node: dict[str, Any], definitions: dict[str, Any]) -> Iterator[Any]:
    if "$ref" in node:
        yield from _examples(definitions.get(node["$ref"].rpartition("/")[2], {}), definitions)
    elif "examples" in node:
        yield from node["examples"]
    elif "const" in node:
        yield node["const"]
    elif "enum" in node:
        yield from node["enum"]
    elif node.get("type") == "boolean":
        yield from (True, False)
    for branch in (*node.get("anyOf", ()), *node.get("oneOf", ())):
        yield from _examples(branch, definitions)
