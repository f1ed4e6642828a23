"""`wavewright watch RECIPE`: a page that follows a recipe file."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from wavewright.cli.completion import complete_recipe
from wavewright.cli.options import Bench, Draw, Instruments, Seed, Settings, read_settings


def watch(
    recipe: Annotated[Path, typer.Argument(help="The recipe.", autocompletion=complete_recipe)],
    *,
    bench: Bench = None,
    file: Annotated[
        list[Path] | None,
        typer.Option("--file", help="A stored record in place of a bench; may be repeated, one shot each."),
    ] = None,
    interval: Annotated[
        str | None, typer.Option(help="Time between samples of the records, `1 us`, where they have none.")
    ] = None,
    measurement: Annotated[
        str, typer.Option(help="The measurement to show first; the recipe's first if left out.")
    ] = "",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port on the loopback interface; 0: any.")] = 0,
    no_open: Annotated[bool, typer.Option("--no-open", help="Print the address, and open no browser.")] = False,
    settings: Settings = None,
    instrument: Instruments = None,
    seed: Seed = None,
    draw: Draw = None,
) -> None:
    """Follow a recipe file on a page in the browser.

    Each save is checked, measured, and shown, again and again.
    """
    from wavewright.pages.watch import watch_files
    from wavewright.quantities import read_quantity
    from wavewright.running.shipped_files import find_file

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    def opened(address: str) -> None:
        print(f"watching {recipe}: {address}", flush=True)
        if not no_open:
            import webbrowser

            webbrowser.open(address)

    watch_files(
        find_file(recipe),
        file or [],
        port=port,
        measurement=measurement,
        set=read_settings(settings),
        interval=None if interval is None else read_quantity(interval, unit="s").value,
        say=say,
        opened=opened,
    )
