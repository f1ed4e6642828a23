"""JSON Schema of a recipe: that of its model, and what the catalogues of metrics and buses add to it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Protocol

from wavewright.analysis.catalogue import Parameter, metrics
from wavewright.buses.catalogue import buses, layers
from wavewright.buses.frame_metrics import frame_metrics
from wavewright.grammar.schema import add_examples, model_schema
from wavewright.judgement.joining import OVER
from wavewright.recipe.option_examples import option_examples
from wavewright.recipe.recipe import RecipeFile

NAMED = {"type": "string", "pattern": r"\$", "description": "a parameter or a name of for_each"}


class Defined(Protocol):
    """An entry of a catalogue."""

    @property
    def definition(self) -> str:
        """What it is, in a line."""
        ...


class WithOptions(Defined, Protocol):
    """An entry of a catalogue that has options."""

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Its options."""
        ...


def recipe_schema() -> dict[str, Any]:
    """The schema of a recipe, with the metrics and buses, their definitions and options as the catalogues have them."""
    schema = model_schema(RecipeFile)
    _allow_names(schema["$defs"])
    blocks = schema["$defs"]["Measurement"]["properties"]
    compute, decode = (blocks[key]["additionalProperties"] for key in ("compute", "decode"))
    compute["properties"]["metric"]["anyOf"] = _choices(metrics()) + _choices(frame_metrics())
    compute["properties"]["over"]["anyOf"] = _choices(OVER)
    _add_keys(compute, _options(metrics(), frame_metrics()))
    decode["properties"]["bus"]["anyOf"] = _choices(buses())
    decode["properties"]["then"]["anyOf"] = _choices(layers())
    _add_keys(decode, _lines() | _options(buses(), layers()))
    add_examples(schema)
    return schema


def _choices(catalogue: Mapping[str, Defined]) -> list[dict[str, str]]:
    return [{"const": name, "description": entry.definition} for name, entry in catalogue.items()]


def _add_keys(entry: dict[str, Any], keys: Mapping[str, dict[str, Any]]) -> None:
    """Describe the keys that a catalogue adds to an entry, and allow no others."""
    for key, described in keys.items():
        entry["properties"].setdefault(key, described)
    entry["additionalProperties"] = False


def _options(*catalogues: Mapping[str, WithOptions]) -> dict[str, dict[str, Any]]:
    """Every option, what has it, and how it is written."""
    owners: dict[str, list[str]] = {}
    examples: dict[str, list[Any]] = {}
    for name, entry in (item for catalogue in catalogues for item in catalogue.items()):
        for parameter in entry.parameters:
            owners.setdefault(parameter.name, []).append(name)
            known = examples.setdefault(parameter.name, [])
            known += [example for example in option_examples(parameter) if example not in known]
    return {
        name: {"description": f"option of {_listed(owners[name])}", "examples": examples[name]}
        for name in sorted(owners)
    }


def _lines() -> dict[str, dict[str, Any]]:
    """Every line of a bus, and the buses that have it."""
    found: dict[str, list[str]] = {}
    for name, bus in buses().items():
        for line in dict.fromkeys(line.rstrip("?") for lines in bus.channels for line in lines):
            found.setdefault(line, []).append(name)
    return {
        line: {"description": f"channel on this line of {_listed(owners)}", "examples": [line]}
        for line, owners in sorted(found.items())
    }


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names)


def _allow_names(definitions: dict[str, Any]) -> None:
    """Where one of some words is required, `$name` may be as well."""
    for definition in definitions.values():
        if "enum" in definition:
            words = {key: definition.pop(key) for key in ("enum", "type")}
            definition["anyOf"] = [words, NAMED]
