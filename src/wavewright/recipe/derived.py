"""`derived:`: channels that are computed from others, `coil: (high - low) / 0.1 ohm`."""

from __future__ import annotations

from dataclasses import dataclass, field

from pydantic import RootModel

from wavewright.analysis.expressions.derive import parse_expression
from wavewright.errors import FileFault, Place
from wavewright.recipe.fields import read_name
from wavewright.recipe.noting import placed
from wavewright.recipe.places import Block, Word

UNKNOWN = "unknown"  # stands for the unit of an expression that cannot be read


class DerivedEntry(RootModel[str]):
    """An expression over the channels, and what is derived above: (high - low) / 0.1 ohm."""


@dataclass(frozen=True, slots=True)
class Derived:
    """A derived channel: its expression, the channels it needs, and the unit that comes out."""

    name: str
    expression: str
    of: tuple[str, ...]
    unit: str
    place: Place | None = field(default=None, compare=False)


def read_derived(tree: Block, units: dict[str, str], faults: list[FileFault]) -> dict[str, Derived]:
    """The `derived:` block of a measurement, in the order in which it can be computed.

    An expression may use channels and what is derived above it.

    Parameters
    ----------
    units : unit of every channel, by name; takes those of what is derived.
    faults : takes what is wrong.
    """
    found: dict[str, Derived] = {}
    if "derived" in tree and not isinstance(tree["derived"], Block):
        expected = "`name: expression`"
        faults.append(FileFault("`derived` holds no channels", where=tree.value_place("derived"), expected=expected))
    entries = tree.block("derived")
    for name, text in entries.items():
        where = entries.key_place(name)
        with placed(faults, where):
            read_name(name)
        if name in units:
            faults.append(FileFault(f"`{name}` is a channel already", where=where, expected="a name of its own"))
            continue
        units[str(name)] = UNKNOWN  # if the expression is wrong, that shall be said once and lead to nothing further
        if not isinstance(text, Word):
            faults.append(
                FileFault(f"`{name}` has no expression", where=entries.value_place(name), expected="`high - low`, say")
            )
            continue
        known = {channel: unit for channel, unit in units.items() if channel != name}
        with placed(faults, text.inside):
            expression = parse_expression(text)
            if any(known.get(channel) == UNKNOWN for channel in expression.names):
                continue
            units[str(name)] = expression.unit(known)
            found[str(name)] = Derived(str(name), str(text), expression.names, units[str(name)], text.place)
    return found
