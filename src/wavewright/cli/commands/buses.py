"""`wavewright buses [NAME]`: the buses that can be decoded, one of them in full, or how frames are searched."""

from __future__ import annotations

import inspect
import textwrap
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.commands.metrics import described, full_text
from wavewright.cli.option_text import default_text, written_as
from wavewright.cli.output import AsJson, console, print_json

if TYPE_CHECKING:
    from wavewright.analysis.catalogue import Metric
    from wavewright.buses.catalogue import Bus, Layer


def buses(
    name: Annotated[
        str | None, typer.Argument(help="Show this bus, this layer, or this metric of one, in full.")
    ] = None,
    *,
    search: Annotated[bool, typer.Option("--search", help="Show how frames are searched: `decode --find`.")] = False,
    errors: Annotated[
        bool, typer.Option("--errors", help="Show every error word of a frame, or those of this bus, with its meaning.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """List every bus and layer with its channels, show one of them or of their metrics, or how frames are searched."""
    from wavewright.buses.catalogue import buses as all_buses
    from wavewright.buses.catalogue import find_bus, layers
    from wavewright.buses.frame_metrics import frame_metrics
    from wavewright.buses.search import search as searching

    if search:
        print(_without_marks(inspect.getdoc(searching) or ""))
    elif errors:
        _print_errors(name, as_json=as_json)
    elif name is not None and name in frame_metrics():
        metric = frame_metrics()[name]
        print_json(described(metric)) if as_json else print(full_text(metric))
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


def _print_errors(name: str | None, *, as_json: bool) -> None:
    """Each error word with its meaning: all there are, or those that the frames of one bus or layer can have."""
    from wavewright.buses.catalogue import find_bus, layers
    from wavewright.buses.frame import ERRORS

    said = None if name is None else (layers()[name] if name in layers() else find_bus(name)).says
    words = ERRORS if said is None else {word: ERRORS[word] for word in said.errors}
    if as_json:
        print_json(dict(words))
        return
    width = max(map(len, words), default=0)
    print("\n".join(f"{word:<{width}}  {meaning}" for word, meaning in words.items()))


def _without_marks(text: str) -> str:
    """A text with a table in Markdown as plain text: columns under each other, no rules and no quoting."""
    lines = [line for line in text.replace("`", "").splitlines() if not line.startswith("|-")]
    rows = {line: [cell.strip() for cell in line.strip("|").split(" | ", 1)] for line in lines if line.startswith("| ")}
    width = max((len(first) for first, _ in rows.values()), default=0)
    return "\n".join(f"{rows[line][0]:<{width}}  {rows[line][1]}" if line in rows else line for line in lines)


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
    rows += ["", "Metrics", "-------"]
    rows += [f"{metric.name} [{metric.unit}] : {metric.definition}" for metric in _metrics(one)]
    return "\n".join([*rows, "", *textwrap.wrap(f"Source: {one.source}", 100)])


def _metrics(one: Bus | Layer) -> list[Metric]:
    """What `compute:` can find of it: of any frames, and of the lines of this bus or of that below this layer."""
    from wavewright.buses.frame_metrics import metrics_of_bus

    names: tuple[str, ...] = getattr(one, "on", (one.name,))
    found = {name: metric for bus in names for name, metric in metrics_of_bus(bus).items()}
    return [found[name] for name in sorted(found)]


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
        "metrics": [metric.name for metric in _metrics(one)],
        "source": one.source,
    }
