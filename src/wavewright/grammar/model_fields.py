"""The keys that a pydantic model knows at a place of its input, and what they are for."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo


def known_keys(model: type[BaseModel], location: Sequence[int | str]) -> list[str]:
    """The keys of all models that a location can lead to."""
    found = [key for owner in _models_at(model, location) for key in _fields(owner)]
    return list(dict.fromkeys(found))


def keys_meant(model: type[BaseModel], location: Sequence[int | str]) -> dict[str, str]:
    """Keys that people write at a location by mistake, and the one that they mean."""
    return {
        written: key for owner in _models_at(model, location) for written, key in getattr(owner, "meant", {}).items()
    }


def described(model: type[BaseModel], location: Sequence[int | str]) -> str:
    """The description of the field at a location."""
    for owner in _models_at(model, location[:-1]):
        field = _fields(owner).get(str(location[-1]))
        if field is not None and field.description:
            return field.description
    return ""


def _fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _models_at(model: type[BaseModel], location: Sequence[int | str]) -> list[type[BaseModel]]:
    """The models that a location leads to, the given one included if it leads nowhere."""
    annotations: list[Any] = [model]
    for step in location:
        further = [inner for annotation in annotations for inner in _step(annotation, step)]
        annotations = further or annotations  # a branch of a union is not a step in the annotations
    return [kind for annotation in annotations for kind in _alternatives(annotation) if _is_model(kind)]


def _step(annotation: Any, step: int | str) -> Iterator[Any]:
    for kind in _alternatives(annotation):
        origin, arguments = typing.get_origin(kind), typing.get_args(kind)
        if _is_model(kind):
            if str(step) in _fields(kind):
                yield _fields(kind)[str(step)].annotation
        elif origin is not None and isinstance(origin, type) and arguments:
            if issubclass(origin, Mapping):
                yield arguments[1]
            elif issubclass(origin, list | tuple) and isinstance(step, int):
                yield arguments[0]


def _alternatives(annotation: Any) -> Iterator[Any]:
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        yield from _alternatives(typing.get_args(annotation)[0])
    elif origin in (typing.Union, types.UnionType):
        for branch in typing.get_args(annotation):
            yield from _alternatives(branch)
    else:
        yield annotation


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)
