"""Topics of the Python API: each public name with its signature and its docstring, and the tree of errors."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from typing import Any

import wavewright
from wavewright import errors
from wavewright.buses.catalogue import buses, layers
from wavewright.buses.frame import ERRORS
from wavewright.errors import WavewrightError
from wavewright.reference.docstring import escaped, page, sections, table, verbatim
from wavewright.reference.topic import Group, Topic


def topics() -> Iterator[Topic]:
    """All public names, then the errors."""
    for name in wavewright.__all__:
        yield _topic(name, getattr(wavewright, name))
    yield _tree()
    yield _error_words()
    for kind in _kinds(WavewrightError):
        text = f"{page(kind, names={})}\n\nExit status of a command that ends with it: {kind.exit_status}."
        yield Topic(Group.ERROR, kind.__name__, _summary(kind), text)


def _topic(name: str, value: Any) -> Topic:
    told = [verbatim(f"wavewright.{name}{signature(value)}", "python"), page(value, names={})]
    if inspect.isclass(value):
        for member, inner in _members(value):
            arguments = "" if isinstance(inner, property) else signature(inner)
            told += [
                f"## {member}",
                verbatim(f".{member}{arguments}", "python"),
                page(inner, names={}).replace("## ", "### "),
            ]
    return Topic(Group.PYTHON, name, _summary(value), "\n\n".join(told))


def signature(value: Any) -> str:
    """How it is called, without the names of our modules; empty where it is not called."""
    try:
        told = str(inspect.signature(value))
    except (TypeError, ValueError):
        return ""
    return re.sub(
        r"\b(?:wavewright|typing|collections\.abc|numpy|datetime|pathlib)(?:\.\w+)*\.(?=\w)", "", told
    ).replace("'", "")


def _members(kind: type) -> Iterator[tuple[str, Any]]:
    for name, value in vars(kind).items():
        inner = value.__func__ if isinstance(value, classmethod | staticmethod) else value
        if not name.startswith("_") and (inspect.isfunction(inner) or isinstance(inner, property)) and inner.__doc__:
            yield name, inner


def _kinds(kind: type[WavewrightError]) -> Iterator[type[WavewrightError]]:
    yield kind
    for below in kind.__subclasses__():
        if below.__module__ == errors.__name__:
            yield from _kinds(below)


def _tree() -> Topic:
    first, _, tree = (inspect.getdoc(errors) or "").partition("\n")
    return Topic(Group.ERROR, "errors", "The tree of errors.", f"{escaped(first)}\n\n{verbatim(tree)}")


def _error_words() -> Topic:
    found: dict[str, list[str]] = {}
    for name, one in {**buses(), **layers()}.items():
        for word in one.says.errors if one.says else ():
            found.setdefault(word, []).append(f"`{name}`")
    rows = [(f"`{word}`", escaped(ERRORS[word]), ", ".join(names)) for word, names in sorted(found.items())]
    summary = "Words for what is wrong with a decoded frame."
    return Topic(Group.ERROR, "error words", summary, f"{summary}\n\n{table(('word', 'means', 'said by'), rows)}")


def _summary(value: Any) -> str:
    return " ".join(sections(value)[""].split("\n\n")[0].split())
