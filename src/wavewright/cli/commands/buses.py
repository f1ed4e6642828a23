"""`wavewright buses [NAME]`: the buses that can be decoded, one of them in full, or how frames are searched."""

from __future__ import annotations

import inspect
import textwrap
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.option_text import default_text, written_as
from wavewright.cli.output import AsJson, console, print_json

if TYPE_CHECKING:
    from wavewright.buses.catalogue import Bus, Layer


def buses(
    name: Annotated[str | None, typer.Argument(help="Show this bus, or this layer above one, in full.")] = None,
    *,
    search: Annotated[bool, typer.Option("--search", help="Show how frames are searched: `decode --find`.")] = False,
    as_json: AsJson = False,
) -> None:
    """List every bus and layer with its channels, show one with its options, or the language of `decode --find`."""
    from wavewright.buses import search as searching
    from wavewright.buses.catalogue import buses as all_buses
    from wavewright.buses.catalogue import find_bus, layers

    if search:
        print(inspect.getdoc(searching))
    elif name is not None:
        found: Bus | Layer = layers()[name] if name in layers() else find_bus(name)
        print_json(_described(found)) if as_json else print(_full_text(found))
    else:
        every: list[Bus | Layer] = [*all_buses().values(), *layers().values()]
        if as_json:
            print_json([_described(one) for one in every])
            return
        from rich.table import Table

        table = Table("bus", "channels", "definition", box=None, pad_edge=False, header_style="bold")
        for one in every:
            table.add_row(one.name, _channels(one), one.definition)
        console().print(table)


def _channels(one: Bus | Layer) -> str:
    """The sets of channels; for a layer the buses that it stands on."""
    if (on := getattr(one, "on", None)) is not None:
        return f"on {', '.join(on)}"
    sets = [" ".join(names) for names in getattr(one, "channels", ())]
    if pair := getattr(one, "differential", None):
        sets.append(" ".join(pair))
    return " | ".join(dict.fromkeys(sets))


def _full_text(one: Bus | Layer) -> str:
    rows = [f"{one.name}: {_channels(one)}", "", inspect.getdoc(one.decode) or ""]
    rows += ["", "Options", "-------"] if one.parameters else []
    for parameter in one.parameters:
        default = "needed" if parameter.is_required else f"default {default_text(parameter.default)}"
        rows.append(f"{parameter.name} : {written_as(parameter.annotation)}; {default}")
    return "\n".join([*rows, "", *textwrap.wrap(f"Source: {one.source}", 100)])


def _described(one: Bus | Layer) -> dict[str, Any]:
    options = [
        {"name": parameter.name, "written_as": written_as(parameter.annotation), "needed": parameter.is_required}
        for parameter in one.parameters
    ]
    return {
        "name": one.name,
        "channels": _channels(one),
        "definition": one.definition,
        "options": options,
        "source": one.source,
    }
