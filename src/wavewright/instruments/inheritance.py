"""What a profile takes from the one that it extends, and from its own keys that stand for many."""

from __future__ import annotations

from typing import Any, TypeVar

from wavewright.grammar.model import GrammarModel
from wavewright.instruments.profile_grammar import ProfileFile

S = TypeVar("S", bound=GrammarModel)


def inherit(child: S, parent: S) -> S:
    """The child, and where it says nothing the parent; parts with keys of their own are inherited key by key.

    A setting, a scale, and the way in which an acquisition ends are taken as a whole: half of one dialect is of no use
    to another.
    """
    values: dict[str, Any] = {}
    for name in type(child).model_fields:
        own, inherited = getattr(child, name), getattr(parent, name)
        if name not in child.model_fields_set:
            values[name] = inherited
        elif isinstance(own, dict):
            values[name] = {**inherited, **own}
        elif isinstance(own, GrammarModel) and type(own) is type(inherited) and not own.is_whole:
            values[name] = inherit(own, inherited)
        else:
            values[name] = own
    return type(child).model_construct(child.model_fields_set | parent.model_fields_set, **values)


def with_pattern(grammar: ProfileFile) -> ProfileFile:
    """The profile with its `pattern` at everything that is asked for and has none of its own."""
    pattern = grammar.pattern
    if not pattern:
        return grammar
    scale = grammar.waveform.scale
    changes: dict[str, Any] = {
        name: _patterned(term, pattern)
        for name in ("gain", "offset", "reference", "interval", "start")
        if (term := getattr(scale, name)) is not None and term.ask
    }
    waveform = grammar.waveform.model_copy(
        update={"scale": _patterned(scale.model_copy(update=changes), pattern if scale.ask else "")}
    )
    return grammar.model_copy(
        update={
            "settings": {name: _patterned(one, pattern) for name, one in grammar.settings.items()},
            "own_values": {name: _patterned(one, pattern) for name, one in grammar.own_values.items()},
            "waveform": waveform,
        }
    )


def _patterned(part: S, pattern: str) -> S:
    return part if getattr(part, "pattern", "") else part.model_copy(update={"pattern": pattern})
