"""The model of a mapping in a file that people write."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, model_validator

from wavewright.grammar.located_yaml import YamlMapping, YamlScalar


class GrammarModel(BaseModel):
    """A mapping of the grammar in which every key is known, and nothing changes once it is read.

    Models are built when they are first used: a command needs few of all there are.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)
    is_whole: ClassVar[bool] = False  # inherited as it stands or not at all, never key by key
    meant: ClassVar[Mapping[str, str]] = MappingProxyType({})  # a key that people write -> the one that they mean
    renamed: ClassVar[Mapping[str, str]] = MappingProxyType(
        {}
    )  # a key of earlier files that is still read -> what it is called now

    @model_validator(mode="before")
    @classmethod
    def _read_earlier_names(cls, value: Any) -> Any:
        """Give a key its present name, unless that is beside it; in the tree itself, so that faults find it."""
        if cls.renamed and isinstance(value, YamlMapping):
            for earlier in [key for key in value if cls.renamed.get(key, key) not in value]:
                name = YamlScalar(cls.renamed[earlier], value.key_place(earlier))
                value[name] = value.pop(earlier)
        return value
