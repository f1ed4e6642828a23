"""`wavewright watch RECIPE`: a page that follows a recipe file."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from wavewright.cli.bench_choice import chosen_bench
from wavewright.cli.completion import complete_recipe
from wavewright.cli.options import Bench, Draw, Instruments, Seed, Settings, read_instruments, read_settings
from wavewright.errors import Misuse


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
    wait: Annotated[float, typer.Option(help="How long to wait while another program uses the bench, s.")] = 0.0,
) -> None:
    """Follow a recipe file on a page in the browser.

    Each save is checked, set on the bench and measured, again and again; picture, readings, limits and doubts follow.
    Numbers can be changed from the page, and are written into the file.

    Outputs are switched on only if the recipe asks for it and the person at the page confirms; they go off when the
    page, the program or the connection ends. Nothing is entered into a logbook. It runs until Ctrl-C.
    """
    from wavewright.instruments.bench_file import load_bench
    from wavewright.pages.watch import WatchedPage, watch_bench, watch_records
    from wavewright.quantities import read_quantity
    from wavewright.running.run_options import RunOptions
    from wavewright.running.shipped_files import find_file

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    def opened(address: str) -> None:
        print(f"watching {recipe}: {address}", flush=True)
        if not no_open:
            _open_browser(address, say)

    page = WatchedPage(port, measurement, read_settings(settings), say, opened)
    if file:
        if bench is not None:
            raise Misuse("`--file` together with `--bench`", expected="a bench or stored records")
        watch_records(
            find_file(recipe),
            file,
            page,
            interval=None if interval is None else read_quantity(interval, unit="s").value,
        )
        return
    if interval is not None:
        raise Misuse("`--interval` without `--file`", do="leave it out: a bench states it")
    there = load_bench(chosen_bench(bench, recipe))
    options = RunOptions(instruments=read_instruments(instrument), seed=seed, draw=draw, patience=wait)
    watch_bench(find_file(recipe), there, page, options=options)


def _open_browser(address: str, say: Callable[[str], None]) -> None:
    """Open the page in the usual browser, without waiting for it."""

    def work() -> None:
        import webbrowser

        if not webbrowser.open(address):
            say("no browser could be opened; open the address in one on this machine")

    threading.Thread(target=work, name="browser", daemon=True).start()
