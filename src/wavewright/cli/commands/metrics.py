"""`wavewright metrics [NAME]`: the catalogue, or one entry of it with its formula and its options."""

from __future__ import annotations

import typing
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.completion import complete_metric_of_any
from wavewright.cli.output import AsJson, console, print_json
from wavewright.reference.option_text import default_text, written_as

if TYPE_CHECKING:
    from wavewright.analysis.catalogue import Metric, Parameter


def metrics(
    name: Annotated[
        str | None,
        typer.Argument(
            help="Show this metric, or one of a decoded bus, in full.", autocompletion=complete_metric_of_any
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the metrics, or show one in full.

    A metric is shown with its unit, definition, formula, options and source.
    """
    from wavewright.analysis.catalogue import METRICS
    from wavewright.analysis.catalogue import metrics as catalogue

    if name is not None:
        found = _of_a_bus(name) if name not in catalogue() else None
        found = found or METRICS.find(name)
        print_json(described(found)) if as_json else show_metric(found)
    elif as_json:
        print_json([described(metric) for metric in catalogue().values()])
    else:
        _print_table(catalogue().values())


def _of_a_bus(name: str) -> Metric | None:
    """A metric of a decoded bus, which `wavewright buses` lists; None if there is none of that name."""
    from wavewright.buses.frame_metrics import frame_metrics

    return frame_metrics().get(name)


def _print_table(catalogue: typing.Iterable[Metric]) -> None:
    from wavewright.reference.entries import unit
    from wavewright.reporting.console_table import console_table, plain_cells

    table = console_table(("metric", "unit", "definition"), whole=("metric", "unit"))
    for metric in catalogue:
        table.add_row(*plain_cells(metric.name, unit(metric), metric.definition))
    console().print(table)


def show_metric(metric: Metric) -> None:
    """Print its page of the reference."""
    from wavewright.reference.entries import metric_topic
    from wavewright.reference.terminal import show

    show(metric_topic(metric), console())


def described(metric: Metric) -> dict[str, Any]:
    """The same as plain names and words."""
    return {
        "name": metric.name,
        "unit": metric.unit or None,
        "channels": list(metric.channels),
        "definition": metric.definition,
        "parameters": [_parameter(parameter) for parameter in metric.parameters],
        "source": metric.source,
    }


def _parameter(parameter: Parameter) -> dict[str, Any]:
    plain = {"name": parameter.name, "written_as": written_as(parameter.annotation), "needed": parameter.is_required}
    return plain if parameter.is_required else plain | {"default": default_text(parameter.default)}
