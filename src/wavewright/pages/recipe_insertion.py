"""Putting a key into a recipe's text: in the style that the mapping has, every other byte as it was."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import yaml

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import parse_tree, without_places
from wavewright.pages.recipe_numbers import Path, child, children, compose

STEP = 2  # columns that a mapping is further in than the one that it is in


def with_value(text: str, path: Path, value: str, *, comment: str = "") -> str:
    """The text with a value under some keys, in place of the one that is there, or as a new last one.

    Parameters
    ----------
    path : keys from the top; all mappings but the last two of them must be there.
    value : one line of YAML.
    comment : goes above the line of the entry that has the value, in place of one with the same words before its colon.

    Raises
    ------
    Misuse : more would change than this, or the text is not built so that it can be put there.
    """
    changed = _placed(text, path, value)
    before, after = (without_places(parse_tree(one, "recipe")) for one in (text, _checked(changed, value)))
    if _with(before, path, after) != after:
        raise Misuse(f"`{path[-1]}: {value}` cannot be put there without changing something else")
    return _commented(changed, path, comment) if comment else changed


def _checked(changed: str, value: str) -> str:
    try:
        parse_tree(changed, "recipe")
    except FileFault as fault:
        raise Misuse(f"`{value}` cannot be put there: {fault.what}") from fault
    return changed


def _placed(text: str, path: Path, value: str) -> str:
    root = compose(text)
    there = child(root, *path)
    if there is not None and not (isinstance(there, yaml.ScalarNode) and there.value == "" and there.style is None):
        return text[: there.start_mark.index] + value + text[_end(there) :]
    if there is not None:  # a key that nothing follows
        return text[: there.start_mark.index] + f" {value}" + text[there.end_mark.index :]
    parent = child(root, *path[:-1])
    if isinstance(parent, yaml.MappingNode):
        return _appended(text, parent, f"{path[-1]}: {value}")
    if len(path) < 3 or (parent is not None and _end(parent) > parent.start_mark.index):
        raise Misuse(f"`{path[-2]}` is not a mapping that `{path[-1]}` can be put into")
    return (
        _placed(text, path[:-1], f"{{{path[-1]}: {value}}}")
        if _is_flow(root, path[:-2])
        else _opened(text, path, value)
    )


def _opened(text: str, path: Path, value: str) -> str:
    """A mapping that is not there yet, or that nothing follows, with its first key, in block style."""
    root = compose(text)
    above = child(root, *path[:-2])
    if not isinstance(above, yaml.MappingNode) or not above.value:
        raise Misuse(f"`{path[-3]}` is not a mapping that `{path[-2]}` can be put into")
    column = above.value[0][0].start_mark.column
    line = f"{path[-1]}: {value}"
    key = next((key for key, _ in above.value if key.value == path[-2]), None)
    if key is None:
        return _after_line(text, _end(above), [f"{path[-2]}:", f"{' ' * STEP}{line}"], column)
    return _after_line(text, key.end_mark.index, [f"{' ' * STEP}{line}"], column)


def _is_flow(root: yaml.Node | None, path: Path) -> bool:
    node = child(root, *path)
    return isinstance(node, yaml.MappingNode) and bool(node.flow_style)


def _appended(text: str, mapping: yaml.MappingNode, entry: str) -> str:
    if not mapping.flow_style:
        return _after_line(text, _end(mapping), [entry], mapping.value[0][0].start_mark.column)
    if not mapping.value:
        inside = mapping.start_mark.index + 1
        return text[:inside] + entry + text[inside:]
    last = _end(mapping.value[-1][1])
    return f"{text[:last]}, {entry}{text[last:]}"


def _after_line(text: str, place: int, lines: list[str], column: int) -> str:
    """Lines of their own after the line that a place is in."""
    end = "\r\n" if "\r\n" in text else "\n"
    found = re.compile("\r\n|\n|\r").search(text, place)
    at = len(text) if found is None else found.end()
    head = text[:at] if found is not None else text[:at] + end
    return head + "".join(f"{' ' * column}{line}{end}" for line in lines) + text[at:]


def _end(node: yaml.Node) -> int:
    """Where the last character of a node is: the end mark of a block is that of what comes after it."""
    if isinstance(node, yaml.CollectionNode) and not node.flow_style and node.value:
        last = node.value[-1]
        if isinstance(last, tuple):
            return max(int(last[0].end_mark.index), _end(last[1]))
        return _end(last)
    return int(node.end_mark.index)


def _with(tree: Any, path: Path, after: Any) -> Any:
    """The tree with what another one has under some keys, and nothing else of it."""
    if not path:
        return after
    if not isinstance(tree, Mapping | None) or not isinstance(after, Mapping) or path[0] not in after:
        return tree
    inside = _with((tree or {}).get(path[0]), path[1:], after[path[0]])
    return {**(tree or {}), path[0]: inside}


def _commented(text: str, path: Path, comment: str) -> str:
    """A comment above the entry; one there that begins alike is replaced."""
    root = compose(text)
    above = child(root, *path[:-2])
    key = (
        next((key for key, _ in above.value if key.value == path[-2]), None)
        if isinstance(above, yaml.MappingNode)
        else None
    )
    if not isinstance(above, yaml.MappingNode) or above.flow_style or key is None:
        return text  # in the middle of a line there is no room for one
    begin = key.start_mark.index - key.start_mark.column
    indent = " " * key.start_mark.column
    end = "\r\n" if "\r\n" in text else "\n"
    word = comment.partition(":")[0]
    before = re.compile(rf"{indent}# {re.escape(word)}:[^\r\n]*(?:\r\n|\n)\Z").search(text[:begin])
    head = text[: before.start()] if before is not None else text[:begin]
    return f"{head}{indent}# {comment}{end}{text[begin:]}"


def has_key(text: str, path: Path) -> bool:
    """Whether there is something under some keys."""
    return child(compose(text), *path) is not None


def keys_of(text: str, path: Path) -> tuple[str, ...]:
    """The keys of the mapping under some keys; none where there is no mapping."""
    return tuple(str(key) for key, _ in children(child(compose(text), *path)))
