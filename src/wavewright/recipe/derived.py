"""`derived:`: channels that are computed from others, `coil: (high - low) / (0.1 ohm ± 1 %)`."""

from __future__ import annotations

from dataclasses import dataclass, field

from pydantic import RootModel

from wavewright.errors import Place
from wavewright.grammar.located_yaml import YamlMapping, YamlScalar
from wavewright.grammar.word_fields import read_name
from wavewright.recipe.name_checks import UNKNOWN, NameChecks


class DerivedEntry(RootModel[str]):
    """An expression over the channels, and what is derived above: (high - low) / (0.1 ohm ± 1 %)."""


@dataclass(frozen=True, slots=True)
class Derived:
    """A derived channel: its expression, the channels it needs, and the unit that comes out."""

    name: str
    expression: str
    of: tuple[str, ...]
    unit: str
    place: Place | None = field(default=None, compare=False)


def read_derived(tree: YamlMapping, checks: NameChecks) -> dict[str, Derived]:
    """The `derived:` block of a measurement, in the order in which it can be computed.

    An expression may use channels and what is derived above it. `checks` gets the unit of each.
    """
    found: dict[str, Derived] = {}
    entries = tree.mapping_at("derived")
    if "derived" in tree and not entries:
        checks.note_fault("`derived` has no channels", where=tree.value_place("derived"), expected="`name: expression`")
    for name, text in entries.items():
        where = entries.key_place(name)
        with checks.faults_placed_at(where):
            read_name(name)
        if name in checks.units:
            checks.note_fault(f"`{name}` is a channel already", where=where, expected="a name of its own")
        elif not isinstance(text, YamlScalar):
            checks.note_fault(
                f"`{name}` has no expression", where=entries.value_place(name), expected="such as `high - low`"
            )
            checks.units[str(name)] = UNKNOWN
        else:
            derived = _read(str(name), text, checks)
            checks.units[str(name)] = derived.unit
            found[str(name)] = derived
    return found


def _read(name: str, text: YamlScalar, checks: NameChecks) -> Derived:
    """A derived channel; its unit is not known if the expression is wrong, which is said once and leads to no more."""
    from wavewright.analysis.expressions.derive import parse_expression  # few recipes derive a channel

    with checks.faults_placed_at(text.inside):
        expression = parse_expression(text)
        unit = UNKNOWN
        if all(checks.units.get(channel) != UNKNOWN for channel in expression.names):
            unit = expression.unit(checks.units)
        return Derived(name, str(text), expression.names, unit, text.place)
    return Derived(name, str(text), (), UNKNOWN, text.place)
