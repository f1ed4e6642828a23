"""`wavewright buses [NAME]`: the buses that can be decoded, one of them in full, or how frames are searched."""

from __future__ import annotations

import inspect
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.commands.metrics import described, show_metric
from wavewright.cli.completion import complete_bus_or_layer
from wavewright.cli.output import AsJson, console, print_json
from wavewright.reference.option_text import written_as

if TYPE_CHECKING:
    from wavewright.buses.catalogue import Bus, Layer


def buses(
    name: Annotated[
        str | None,
        typer.Argument(
            help="Show this bus, this layer, or this metric of one, in full.", autocompletion=complete_bus_or_layer
        ),
    ] = None,
    *,
    search: Annotated[bool, typer.Option("--search", help="Show how frames are searched: `decode --find`.")] = False,
    errors: Annotated[
        bool, typer.Option("--errors", help="Show every error word of a frame, or those of this bus, with its meaning.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """List the buses and layers, or show one in full.

    A bus is shown with its channels, options and errors; the metrics of a decoded bus are shown by their names.
    """
    from wavewright.buses.catalogue import BUSES, layers
    from wavewright.buses.catalogue import buses as all_buses
    from wavewright.buses.frame_metrics import frame_metrics
    from wavewright.buses.search import search as searching
    from wavewright.reference.entries import lines_of

    if search:
        print(_without_marks(inspect.getdoc(searching) or ""))
    elif errors:
        _print_errors(name, as_json=as_json)
    elif name is not None and name in frame_metrics():
        metric = frame_metrics()[name]
        print_json(described(metric)) if as_json else show_metric(metric)
    elif name is not None:
        found: Bus | Layer = layers()[name] if name in layers() else BUSES.find(name)
        print_json(_described(found)) if as_json else _show(found)
    else:
        every: list[Bus | Layer] = [*all_buses().values(), *layers().values()]
        if as_json:
            print_json([_described(one) for one in every])
            return
        from wavewright.reporting.console_table import console_table, plain_cells

        table = console_table(("bus", "channels", "definition"), whole=("bus",))
        for one in every:
            table.add_row(*plain_cells(one.name, lines_of(one), one.definition))
        console().print(table)


def _print_errors(name: str | None, *, as_json: bool) -> None:
    """Each error word with its meaning: all there are, or those that the frames of one bus or layer can have."""
    from wavewright.buses.catalogue import BUSES, layers
    from wavewright.buses.frame import ERRORS

    said = None if name is None else (layers()[name] if name in layers() else BUSES.find(name)).says
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


def _show(one: Bus | Layer) -> None:
    from wavewright.reference.entries import bus_topic
    from wavewright.reference.terminal import show

    show(bus_topic(one), console())


def _described(one: Bus | Layer) -> dict[str, Any]:
    from wavewright.reference.entries import lines_of, metrics_of

    options = [
        {"name": parameter.name, "written_as": written_as(parameter.annotation), "needed": parameter.is_required}
        for parameter in one.parameters
    ]
    return {
        "name": one.name,
        "channels": lines_of(one),
        "definition": one.definition,
        "options": options,
        "metrics": [metric.name for metric in metrics_of(one)],
        "source": one.source,
    }
