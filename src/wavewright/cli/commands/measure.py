"""`wavewright measure FILE --metric NAME`: readings of a stored waveform."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.options import left_over_options, number_or_name
from wavewright.cli.output import AsJson, console, print_json

if TYPE_CHECKING:
    from wavewright.analysis.reading import Reading

# What is left over, `--low 20%`, are options of the metrics: the catalogue knows them, not this file.
CONTEXT = {"allow_extra_args": True, "ignore_unknown_options": True}

INCONCLUSIVE = 2


def measure(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="CSV, WAV, HDF5, NPZ or SCPI DIF.")],
    *,
    metric: Annotated[
        list[str], typer.Option("--metric", "-m", help="A name that `wavewright metrics` lists; again for more.")
    ],
    channel: Annotated[
        list[str] | None, typer.Option(help="Number, from 1, or name; again for metrics between channels.")
    ] = None,
    interval: Annotated[str | None, typer.Option(help="Time between samples, `1 us`, where the file has none.")] = None,
    as_json: AsJson = False,
) -> int:
    """Compute metrics of a stored waveform.

    Options of the metrics themselves follow as they are called in `wavewright metrics NAME`: --low 20% --high 80%.
    Exit status 2 if one of the metrics finds nothing to measure.
    """
    from wavewright.analysis.measure import measure as compute
    from wavewright.logbook.formats.catalogue import read_waveform
    from wavewright.quantities import read_quantity

    step = None if interval is None else read_quantity(interval, unit="s").value
    waves = [read_waveform(file, channel=number_or_name(word), interval=step) for word in channel or ["1"]]
    readings = compute(waves, metric, **left_over_options(context.args))
    if as_json:
        print_json({name: reading.as_json() for name, reading in readings.items()})
    else:
        _print_table(readings)
    return INCONCLUSIVE if any(reading.value is None for reading in readings.values()) else 0


def _print_table(readings: dict[str, Reading]) -> None:
    from rich.table import Table

    from wavewright.reporting.console import shown_reading

    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("metric", "reading", "count", "min", "max", "remarks"):
        table.add_column(heading)
    for name, reading in readings.items():
        table.add_row(name, *shown_reading(reading))
    console().print(table)
