"""Checks across the entries of a measurement, and between measurements and `needs`, on the tree as it stands.

Each entry has been, or will be, checked by itself; here whatever is malformed is passed over without a word.
"""

from __future__ import annotations

from collections.abc import Iterator

from wavewright.errors import FileFault
from wavewright.recipe.noting import unknown_names
from wavewright.recipe.places import Block, Word


def channel_units(tree: Block) -> dict[str, str]:
    """The unit of every channel that a measurement names."""
    return dict.fromkeys(map(str, tree.block("channels")), "V")


def reference_faults(tree: Block, units: dict[str, str]) -> Iterator[FileFault]:
    """What the entries of a measurement say against each other."""
    yield from _doubled_inputs(tree)
    trigger = tree.block("trigger")
    yield from unknown_names(trigger.word("on"), units, where=trigger.place)
    if trigger and "on" not in trigger and len(units) > 1:
        expected = f"`on:` with one of {', '.join(units)}"
        yield FileFault("the trigger does not say which channel it watches", where=trigger.place, expected=expected)


def _doubled_inputs(tree: Block) -> Iterator[FileFault]:
    first: dict[str, str] = {}
    for name, number in _inputs(tree):
        if number in first:
            what = f"input {number} of `{name}` is in use"
            expected = f"another than that of `{first[number]}`"
            yield FileFault(what, where=number.place, expected=expected)
        first.setdefault(str(number), name)


def _inputs(tree: Block) -> Iterator[tuple[str, Word]]:
    channels = tree.block("channels")
    for name in channels:
        if number := channels.block(name).word("input"):
            yield str(name), number


def need_faults(needs: Block, tree: Block) -> Iterator[FileFault]:
    """What a measurement uses beyond what `needs` asks for; a role that is used is needed, listed or not."""
    asked = needs.block("digitizer").word("inputs")
    for name, number in _inputs(tree):
        if asked and asked.isdigit() and number.isdigit() and int(number) > int(asked) > 0:
            yield FileFault(
                f"`{name}` is on input {number}, and the recipe needs {asked}",
                where=number.place,
                expected=f"an input up to {asked}",
                do=f"write `inputs: {number}` in line {asked.place.line}, or take a lower input",
            )
