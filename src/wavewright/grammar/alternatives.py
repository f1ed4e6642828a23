"""Entries of several kinds: one key of an entry says which kind it is, and so what else may be in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import YamlMapping, place_of
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal, shown, validated
from wavewright.nearest import did_you_mean


@dataclass(frozen=True)
class ChosenBy:
    """Annotation of a field whose entry is read into the model that one of its keys names.

    Parameters
    ----------
    key : of the entry, `kind`; its value is a name of `models`.
    models : every kind by name, asked for when the first entry is read.
    what : an entry of this sort, for messages: "node".
    """

    key: str
    models: Callable[[], Mapping[str, type[GrammarModel]]]
    what: str

    def read(self, value: Any) -> GrammarModel:
        """The entry as an instance of the model that it names; what is wrong with it is refused, all at once."""
        if isinstance(value, GrammarModel):
            return value
        if not isinstance(value, YamlMapping):
            raise refusal(Misuse(f"this is not a {self.what}", expected=f"`{{{self.key}: …, …}}`"))
        name, models = value.get(self.key), self.models()
        if not isinstance(name, str) or name not in models:
            what = f"`{self.key}` is {shown(name)}" if self.key in value else f"`{self.key}` is missing"
            where = place_of(name) or value.place
            do = did_you_mean(name, models) if self.key in value else ""
            raise refusal(FileFault(what, where=where, expected=f"one of {', '.join(models)}", do=do))
        try:
            return validated(value, models[name], owner=name)
        except FileFault as fault:
            raise refusal(*(fault.faults or (fault,))) from fault

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        branches = []
        for name, model in self.models().items():
            model.model_rebuild()
            branch = handler.resolve_ref_schema(handler(model.__pydantic_core_schema__))
            key = {**branch["properties"][self.key], "const": name, "examples": [name]}
            branches.append({**branch, "properties": {**branch["properties"], self.key: key}, "title": name})
        return {"type": "object", "oneOf": branches, "required": [self.key]}
