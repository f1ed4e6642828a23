"""Any YAML file of ours into its pydantic model, every fault with file, line and column, all of them at once.

The same for recipes, benches and profiles: `read_model("sim/bench.yaml", Bench)`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from wavewright.errors import FileFault, Misuse, Place, WavewrightError
from wavewright.grammar.located_yaml import Node, YamlList, YamlMapping, parse_tree, place_of, read_text
from wavewright.grammar.model_fields import described, keys_meant, known_keys
from wavewright.nearest import did_you_mean

M = TypeVar("M", bound=BaseModel)
T = TypeVar("T")

_REFUSED = "refused"


def read_model(path: str | Path, model: type[M], *, text: str | None = None) -> M:
    """A YAML file as an instance of its pydantic model.

    Scalars reach the model as text, `true`, `false` and null excepted: fields of type `int`, `float`, `bool` read
    it (pydantic's lax mode), fields of `quantity_fields` (`Voltage`, `Time`, …) need their unit. In fields of type
    `object` text stays text; `plain(value)` makes numbers of what looks like one. Give the model
    `extra="forbid"`, and an unknown key is reported with the nearest known one. A validator of the model refuses
    a value with `raise refusal(Misuse(what, expected=…, do=…))`, and the place is found for it.

    Parameters
    ----------
    path : the file; also its name in messages.
    text : what to read instead of the file's content.

    Raises
    ------
    FileFault : not there, not YAML, or all that the model refuses, in line order.

    Examples
    --------
    >>> class Probe(BaseModel):
    ...     attenuation: int
    >>> read_model("probe.yaml", Probe, text="attenuation: 10")
    Probe(attenuation=10)
    """
    name = str(path)
    return validated(parse_tree(read_text(path) if text is None else text, name), model)


def validated(tree: YamlMapping, model: type[M], *, owner: str = "") -> M:
    """The tree as an instance of the model; `owner` is the way to it through its file, for messages.

    Raises
    ------
    FileFault : all that the model refuses.
    """
    try:
        return model.model_validate(tree)
    except ValidationError as error:
        raise FileFault.joined(model_faults(error, tree, model, owner=owner)) from None


def refusal(*faults: WavewrightError) -> PydanticCustomError:
    """What a validator of a model raises, so that message, expectation and advice arrive in the file's faults.

    A fault without a place gets that of the value which the validator was given.
    """
    return PydanticCustomError(_REFUSED, "{what}", {"what": faults[0].what, "faults": faults})


def refusing(read: Callable[[Any], T]) -> Callable[[Any], T]:
    """A reader that raises Misuse, made a validator for pydantic."""

    def validator(value: Any) -> T:
        try:
            return read(value)
        except Misuse as fault:
            raise refusal(fault) from fault

    return validator


def plain(node: object) -> object:
    """A free-form value without places: text that is a number (YAML 1.2.2, 10.3.2, decimal) becomes one."""
    if isinstance(node, Mapping):
        return {str(key): plain(value) for key, value in node.items()}
    if isinstance(node, list | tuple):
        return [plain(value) for value in node]
    if not isinstance(node, str) or getattr(node, "is_quoted", False):
        return str(node) if isinstance(node, str) else node
    if re.fullmatch(r"[-+]?[0-9]+", node):
        return int(node)
    return float(node) if re.fullmatch(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", node) else str(node)


def unknown_key(
    key: str, known: Sequence[str], *, where: Place | None, owner: str, meant: Mapping[str, str]
) -> FileFault:
    """The fault of a key that is not in the grammar; says the nearest that is.

    Parameters
    ----------
    meant : keys that people write, and the one that they mean.
    """
    return FileFault(
        f"unknown key `{key}`{' in ' + owner if owner else ''}",
        where=where or "",
        expected=f"one of {', '.join(sorted(known))}" if known else "no key",
        do=cut_number(key) or did_you_mean(meant.get(key, key), known),
    )


def cut_number(key: str) -> str:
    """What to do where a key is the rest of a number after its decimal comma; empty where it is not."""
    if not re.fullmatch(r"\d+\s*[A-Za-zµμΩ%]{0,4}", key):
        return ""
    return f"between {{ and }} a comma ends an entry: write a decimal point, as in `1.{key}`"


def model_faults(
    error: ValidationError, tree: YamlMapping, model: type[BaseModel], *, owner: str = ""
) -> list[FileFault]:
    """What pydantic found, each with its place; of several complaints about one value only the first that says more."""
    faults: dict[tuple[Place | str, str], FileFault] = {}
    refused: set[Place | str] = set()
    for detail in sorted(error.errors(), key=lambda detail: detail["type"] != _REFUSED):
        is_about_key = detail["type"] == "extra_forbidden" or detail["loc"][-1:] == ("[key]",)
        path = _path(tree, detail["loc"], to_key=is_about_key)
        if detail["type"] == _REFUSED:
            found = [_placed(fault, path.place) for fault in detail["ctx"]["faults"]]
        else:
            found = [_fault(detail, path, model, owner)]
            if not is_about_key and detail["type"] != "missing" and path.place in refused:
                continue  # the other branches of a union say nothing new
        refused |= {path.place, *(fault.where for fault in found)} if not is_about_key else set()
        for fault in found:
            faults.setdefault((fault.where, fault.what), fault)
    return list(faults.values())


def _placed(fault: WavewrightError, place: Place) -> FileFault:
    """A fault of a file, from what a validator raised; it keeps the place that it has."""
    return FileFault(fault.what, where=fault.where or place, expected=fault.expected, do=fault.do)


def _fault(detail: ErrorDetails, path: _Path, model: type[BaseModel], owner: str) -> FileFault:
    kind, context = detail["type"], detail.get("ctx", {})
    if detail["loc"][-1:] == ("[key]",) and kind != _REFUSED:
        return FileFault(f"key {shown(detail['input'])}", where=path.place, expected=_EXPECTED.get(kind, detail["msg"]))
    if kind == "missing":
        where = ".".join(filter(None, (owner, path.name)))
        last = detail["loc"][-1]
        key = f"item {last + 1}" if isinstance(last, int) else f"`{last}`"
        what = f"{key} is missing{f' in `{where}`' if where else ''}"
        return FileFault(what, where=path.place, expected=described(model, detail["loc"]))
    if kind == "extra_forbidden":
        where = ".".join(filter(None, (owner, path.name.rpartition(".")[0])))
        known = known_keys(model, detail["loc"][:-1])
        meant = keys_meant(model, detail["loc"][:-1])
        named = f"`{where}`" if where else ""
        return unknown_key(str(detail["loc"][-1]), known, where=path.place, owner=named, meant=meant)
    if kind == "too_short":
        what, number = f"{path.subject} holds {context['actual_length']}", context["min_length"]
        return FileFault(what, where=path.place, expected=f"at least {number}")
    words = [word.strip("'") for word in str(context.get("expected", "")).replace(" or ", ", ").split(", ")]
    return FileFault(
        f"{path.subject} is {shown(detail['input'])}",
        where=path.place,
        expected=_EXPECTED.get(kind, "")
        or _expected_words(kind, words)
        or detail["msg"].removeprefix("Input should be "),
        do=did_you_mean(detail["input"], words) if kind in {"literal_error", "enum"} else "",
    )


_EXPECTED = {
    "string_type": "a word",
    "int_type": "a whole number", "int_parsing": "a whole number", "int_from_float": "a whole number",
    "float_type": "a number", "float_parsing": "a number", "finite_number": "a finite number",
    "bool_type": "`true` or `false`", "bool_parsing": "`true` or `false`",
    "tuple_type": "a list, `[a, b]`", "list_type": "a list, `[a, b]`",
    "dict_type": "keys with values, `{key: value}`", "mapping_type": "keys with values, `{key: value}`",
    "model_type": "keys with values, `{key: value}`", "model_attributes_type": "keys with values, `{key: value}`",
}  # fmt: skip


def _expected_words(kind: str, words: Sequence[str]) -> str:
    if kind not in {"literal_error", "enum"}:
        return ""
    return f"one of {', '.join(words)}" if len(words) > 1 else words[0]


def shown(value: object) -> str:
    """What is there, for a message."""
    if value is None:
        return "empty"
    if isinstance(value, bool):
        return "`true`" if value else "`false`"
    if isinstance(value, dict | list | tuple):
        return "a mapping" if isinstance(value, dict) else "a list"
    return f"`{str(value)[:60]}`"


@dataclass(frozen=True)
class _Path:
    """Where pydantic's location leads in the tree: the names on the way, and the place it ends at."""

    steps: tuple[str, ...]
    place: Place

    @property
    def name(self) -> str:
        """The way through the file: `measurements.rail_noise.stimulus item 2`."""
        return ".".join(self.steps).replace(".item ", " item ")

    @property
    def subject(self) -> str:
        """The last key, and which item of its list."""
        keys = [position for position, step in enumerate(self.steps) if not step.startswith("item ")]
        return f"`{' '.join(self.steps[keys[-1] :])}`" if keys else "the file"


def _path(tree: YamlMapping, location: Sequence[int | str], *, to_key: bool) -> _Path:
    """Follow a location; parts that are not in the tree (a branch of a union, a missing key) are passed over."""
    node: Node = tree
    steps: list[str] = []
    place = tree.place
    last = len(location) - (2 if location[-1:] == ("[key]",) else 1)
    for position, step in enumerate(location):
        is_last = position == last
        if isinstance(node, YamlMapping) and str(step) in node:
            key = str(step)
            place = node.key_place(key) if to_key and is_last else node.value_place(key)
            if not is_last and isinstance(node[key], YamlMapping):
                place = node.key_place(key)
            node = node[key]
            steps.append(key)
        elif isinstance(node, YamlList) and isinstance(step, int) and step < len(node):
            node = node[step]
            place = place_of(node) or place
            steps.append(f"item {step + 1}")
        # else: no step in the tree
    return _Path(tuple(steps), place)
