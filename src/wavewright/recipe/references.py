"""Checks across the entries of a measurement, on the tree as it stands.

Each entry has been, or will be, checked by itself; here whatever is malformed is passed over without a word.
"""

from __future__ import annotations

from collections.abc import Iterator

from wavewright.grammar.located_yaml import YamlMapping, YamlScalar
from wavewright.recipe.name_checks import NameChecks


def check_references(tree: YamlMapping, checks: NameChecks) -> None:
    """Note what the entries of a measurement say against each other."""
    first: dict[str, str] = {}
    for name, number in _inputs(tree):
        if number in first:
            expected = f"another than that of `{first[number]}`"
            checks.note_fault(f"input {number} of `{name}` is in use", where=number.place, expected=expected)
        first.setdefault(str(number), name)
    channels = list(map(str, tree.mapping_at("channels")))
    trigger = tree.mapping_at("trigger")
    checks.check_names(trigger.scalar_at("on"), channels, where=trigger.place)
    if trigger and "on" not in trigger and len(channels) > 1:
        expected = f"`on:` with one of {', '.join(channels)}"
        checks.note_fault("the trigger has no channel", where=trigger.place, expected=expected)
    persistence = tree.mapping_at("persistence")
    checks.check_names(persistence.scalar_at("of"), checks.units, where=persistence.place)
    plots = tree.mapping_at("plot")
    for name in plots:
        plot = plots.mapping_at(name)
        for key in ("of", "against"):
            checks.check_names(plot.scalar_at(key), checks.units, where=plot.place)


def _inputs(tree: YamlMapping) -> Iterator[tuple[str, YamlScalar]]:
    channels = tree.mapping_at("channels")
    for name in channels:
        if number := channels.mapping_at(name).scalar_at("input"):
            yield str(name), number
