"""Parameters and `for_each`: what `$name` stands for, and a measurement once for every condition.

Both work on the tree, before any value is read: `$name` is replaced by text, the word keeps its place, and what
comes out is read and checked like a recipe without names. `for_each` goes before a parameter of the same name.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.located_yaml import Node, YamlList, YamlMapping, YamlScalar, place_of, text_of
from wavewright.grammar.word_fields import NAME_PATTERN, read_name
from wavewright.nearest import did_you_mean

MOST_CONDITIONS = 1000

_NAMED = re.compile(rf"\$({NAME_PATTERN})")


class SweepPoint(NamedTuple):
    """One point of a sweep: what each name stands for, and the measurement with that put in."""

    values: dict[str, str]
    tree: YamlMapping


def parameter_values(parameters: Mapping[str, str], overrides: Mapping[str, str]) -> dict[str, str]:
    """The text of each parameter: its default, or what was set for this run.

    Raises
    ------
    Misuse : a value for a parameter that the recipe does not have.
    """
    for name in overrides:
        if name not in parameters:
            raise Misuse(
                f"the recipe has no parameter `{name}`",
                expected=f"one of {', '.join(parameters)}"
                if parameters
                else "no `--set`: the recipe has no parameters",
                do=did_you_mean(name, parameters),
            )
    return {**parameters, **overrides}


def conditions(tree: YamlMapping, parameters: Mapping[str, str], faults: list[FileFault]) -> Iterator[SweepPoint]:
    """A measurement's tree under every condition of its `for_each`, the last name running fastest.

    Without `for_each` there is one condition, with no values. Of a `for_each` that makes no sense there is none, and
    the reason is noted in `faults`.
    """
    axes = _axes(tree, parameters, faults)
    if axes is None:
        return
    for values in itertools.product(*axes.values()):
        here = dict(zip(axes, values, strict=True))
        unknown: list[FileFault] = []
        replaced = substituted(tree, {**parameters, **here}, unknown)
        assert isinstance(replaced, YamlMapping)
        faults.extend(fault for fault in unknown if fault.where not in {known.where for known in faults})
        yield SweepPoint(here, replaced)


def substituted(node: Node, names: Mapping[str, str], faults: list[FileFault]) -> Node:
    """A tree of the same shape with every `$name` in a value replaced; unknown names are noted in `faults`."""
    if isinstance(node, YamlMapping):
        block = YamlMapping(node.place)
        for key, value in node.items():
            block[key] = substituted(value, names, faults)
        return block
    if isinstance(node, YamlList):
        row = YamlList(node.place)
        row.extend(substituted(item, names, faults) for item in node)
        return row
    if isinstance(node, YamlScalar) and "$" in node:
        return _replaced(node, names, faults)
    return node


def _names_in(node: object) -> Iterator[str]:
    """Every name that a tree refers to as `$name`."""
    if isinstance(node, Mapping):
        node = list(node.values())
    if isinstance(node, list):
        for item in node:
            yield from _names_in(item)
    elif isinstance(node, str):
        yield from _NAMED.findall(node)


def _replaced(word: YamlScalar, names: Mapping[str, str], faults: list[FileFault]) -> YamlScalar | bool:
    unknown = [name for name in _NAMED.findall(word) if name not in names]
    for name in unknown:
        faults.append(
            FileFault(
                f"`${name}` in `{word}` is not known",
                where=word.place,
                expected=f"one of {', '.join(f'${known}' for known in names)}"
                if names
                else "a parameter or a `for_each` name",
                do=did_you_mean(name, names, written="${}"),
            )
        )
    if unknown:
        return word
    text = _NAMED.sub(lambda match: names[match[1]], word)
    if text in ("true", "false") and not word.is_quoted:
        return text == "true"
    return YamlScalar(text, word.place, is_quoted=word.is_quoted)


def _axes(tree: YamlMapping, parameters: Mapping[str, str], faults: list[FileFault]) -> dict[str, list[str]] | None:
    """The values of each name of `for_each`; None if it makes no sense."""
    if "for_each" not in tree:
        return {}
    before, axes = len(faults), {}
    node, where = substituted(tree["for_each"], parameters, faults), tree.value_place("for_each")
    if not isinstance(node, YamlMapping) or not node:
        faults.append(FileFault("`for_each` is empty", where=where, expected="`{name: [value, value]}`"))
        return None
    used = set(_names_in([value for key, value in tree.items() if key != "for_each"]))
    for name, values in node.items():
        if name not in used:
            what = f"nothing in the measurement has `${name}`: it would be the same under each condition"
            do = f"write `${name}` where the values belong, or remove `{name}`"
            faults.append(FileFault(what, where=node.key_place(name), expected=f"`${name}` in a value", do=do))
        try:
            read_name(name)
        except Misuse as fault:
            faults.append(FileFault(fault.what, where=node.key_place(name), expected=fault.expected, do=fault.do))
        single = (
            [value for value in values if isinstance(value, YamlScalar | bool)] if isinstance(values, YamlList) else []
        )
        listed = [text_of(value) for value in single]
        if not isinstance(values, YamlList) or len(listed) != len(values) or not listed:
            where = place_of(values) or node.key_place(name)
            faults.append(FileFault(f"`{name}` has no list of values", where=where, expected="such as `[10 %, 40 %]`"))
        elif again := next((value for value in listed if listed.count(value) > 1), None):
            faults.append(FileFault(f"`{again}` twice for `{name}`", where=values.place, expected="each value once"))
        axes[str(name)] = listed
    total = 1
    for listed in axes.values():
        total *= len(listed)
    if total > MOST_CONDITIONS:
        faults.append(FileFault(f"{total} conditions", where=node.place, expected=f"at most {MOST_CONDITIONS}"))
    return axes if len(faults) == before else None
