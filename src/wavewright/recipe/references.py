"""Checks across the entries of a measurement, on the tree as it stands.

Each entry has been, or will be, checked by itself; here whatever is malformed is passed over without a word.
"""

from __future__ import annotations

from collections.abc import Iterator

from wavewright.recipe.places import Block, Word
from wavewright.recipe.scope import Scope


def check_references(tree: Block, scope: Scope) -> None:
    """Note what the entries of a measurement say against each other."""
    first: dict[str, str] = {}
    for name, number in _inputs(tree):
        if number in first:
            expected = f"another than that of `{first[number]}`"
            scope.note(f"input {number} of `{name}` is in use", where=number.place, expected=expected)
        first.setdefault(str(number), name)
    channels = list(map(str, tree.block("channels")))
    trigger = tree.block("trigger")
    scope.refers(trigger.word("on"), channels, where=trigger.place)
    if trigger and "on" not in trigger and len(channels) > 1:
        expected = f"`on:` with one of {', '.join(channels)}"
        scope.note("the trigger does not say which channel it watches", where=trigger.place, expected=expected)
    persistence = tree.block("persistence")
    scope.refers(persistence.word("of"), scope.units, where=persistence.place)


def _inputs(tree: Block) -> Iterator[tuple[str, Word]]:
    channels = tree.block("channels")
    for name in channels:
        if number := channels.block(name).word("input"):
            yield str(name), number
