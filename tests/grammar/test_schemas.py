"""The JSON Schemas of all kinds of files: every key has its meaning and examples, and what an example says is taken."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import BaseModel, TypeAdapter

from wavewright.analysis.catalogue import metrics
from wavewright.analysis.parameters import read_parameter
from wavewright.buses.catalogue import buses, layers
from wavewright.buses.frame_metrics import frame_metrics
from wavewright.file_kinds import FILE_KINDS, KindOfFile
from wavewright.grammar.located_yaml import parse_tree
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import plain
from wavewright.recipe.option_examples import option_examples

ROOT = Path(__file__).parents[2]
SCHEMAS = {kind: entry.schema() for kind, entry in FILE_KINDS.items()}  # imports every model that there is
FILES = [
    *((KindOfFile.RECIPE, path) for path in sorted(ROOT.glob("recipes/*.yaml"))),
    *((KindOfFile.BENCH, path) for path in sorted(ROOT.glob("sim/bench*.yaml"))),
    (KindOfFile.CORRECTIONS, ROOT / "tests/instruments/corrections.yaml"),
    *((KindOfFile.PROFILE, path) for path in sorted(ROOT.glob("s*/**/profiles/*.yaml"))),
    *((KindOfFile.BOARD, path) for path in sorted(ROOT.glob("sim/vc204*.yaml"))),
    *((KindOfFile.INSTRUMENTS, path) for path in sorted(ROOT.glob("sim/instruments*.yaml"))),
    *((KindOfFile.FAULTS, path) for path in sorted(ROOT.glob("sim/faults/*.yaml"))),
]


def keys(node: Any, way: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every property anywhere in a schema, by the way to it."""
    if isinstance(node, dict):
        properties = node.get("properties", {})
        for name, inner in properties.items() if isinstance(properties, dict) else ():
            if isinstance(inner, dict):
                yield f"{way}/{name}", inner
        for name, inner in node.items():
            if name not in ("examples", "default", "const", "enum"):
                yield from keys(inner, f"{way}/{name}")
    elif isinstance(node, list):
        for number, inner in enumerate(node):
            yield from keys(inner, f"{way}/{number}")


@pytest.mark.parametrize("kind", KindOfFile)
def test_every_key_has_its_meaning_and_an_example(kind: KindOfFile) -> None:
    found = dict(keys(SCHEMAS[kind]))
    assert len(found) > 15
    assert [way for way, key in found.items() if not key.get("description", "").strip()] == []
    assert [way for way, key in found.items() if not key.get("examples")] == []


@pytest.mark.parametrize("kind", KindOfFile)
def test_every_example_is_what_its_schema_says(kind: KindOfFile) -> None:
    # jsonschema, an implementation of JSON Schema draft 2020-12 that knows nothing of ours
    schema = SCHEMAS[kind]
    Draft202012Validator.check_schema(schema)
    for way, key in keys(schema):
        validator = Draft202012Validator({"$defs": schema.get("$defs", {}), **key})
        for example in key["examples"]:
            assert [error.message for error in validator.iter_errors(example)] == [], (way, example)


def models(kind: type[BaseModel]) -> Iterator[type[BaseModel]]:
    for model in kind.__subclasses__():
        if model.__module__.startswith("wavewright."):
            yield model
        yield from models(model)


FIELDS: list[Any] = [
    pytest.param(field, id=f"{model.__name__}.{name}")
    for model in {*models(GrammarModel), *models(BaseModel)}
    for name, field in model.model_fields.items()
    if field.examples
]


def _name(field: Any) -> str:
    return str(field.id)


@pytest.mark.parametrize("field", sorted(FIELDS, key=_name))
def test_what_an_example_says_is_read(field: Any) -> None:
    reader: TypeAdapter[Any] = TypeAdapter(Annotated[field.annotation, *field.metadata, "as the model has it"])
    for example in field.examples:
        tree = parse_tree(json.dumps({"it": example}, ensure_ascii=False), "example.yaml")  # JSON is YAML
        reader.validate_python(tree["it"])


def test_every_example_of_an_option_is_read() -> None:
    for catalogue in (metrics(), frame_metrics(), buses(), layers()):
        for entry in catalogue.values():
            for parameter in entry.parameters:
                found = option_examples(parameter)
                assert found, (entry, parameter)
                for example in found:
                    written = (
                        str(example) if isinstance(example, int | float) and example not in (True, False) else example
                    )
                    read_parameter(written, parameter.annotation, name=parameter.name)


@pytest.mark.parametrize("kind, path", FILES, ids=[f"{path.parent.name}/{path.name}" for _, path in FILES])
def test_every_shipped_file_is_what_its_schema_says(kind: KindOfFile, path: Path) -> None:
    content = plain(parse_tree(path.read_text(encoding="utf-8"), str(path)))
    errors = Draft202012Validator(SCHEMAS[kind]).iter_errors(content)
    assert [f"{'.'.join(map(str, error.absolute_path))}: {error.message}" for error in errors] == []


@pytest.mark.parametrize("kind", KindOfFile)
def test_a_key_that_is_not_in_the_grammar_is_marked(kind: KindOfFile) -> None:
    # in an instrument file below `wavewright`: beside it stands what pyvisa-sim reads
    path = next(path for of, path in FILES if of is kind)
    content = plain(parse_tree(path.read_text(encoding="utf-8"), str(path)))
    assert isinstance(content, dict)
    (content["wavewright"] if kind is KindOfFile.INSTRUMENTS else content)["shopping"] = "bread"
    assert any("shopping" in error.message for error in Draft202012Validator(SCHEMAS[kind]).iter_errors(content))
