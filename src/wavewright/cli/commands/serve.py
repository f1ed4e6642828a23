"""`wavewright serve`: pages over a logbook, for those who only read."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from wavewright.cli.options import CapturesAt, LogbookAt


def serve(
    *,
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
    host: Annotated[
        str, typer.Option(help="Address to listen on. Any other than the loopback one needs a token or a proxy.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on; 0: any that is free.")] = 8204,
    name: Annotated[
        list[str] | None,
        typer.Option("--name", help="A name that browsers call this server by, besides its own; may be repeated."),
    ] = None,
    token_file: Annotated[
        Path | None,
        typer.Option(
            help="File with the token that visitors need; written if it is not there. If left out, a new one each time."
        ),
    ] = None,
    proxy_header: Annotated[
        str,
        typer.Option(help="Header in which a proxy names who has signed in, in place of a token."),
    ] = "",
    proxy: Annotated[
        list[str] | None,
        typer.Option("--proxy", help="Address or network that the proxy calls from, 192.0.2.7; may be repeated."),
    ] = None,
) -> None:
    """Serve pages over a logbook: the day, units, yields, trends.

    Units, yields, what fails and on which station, every run of a unit, trends with control charts, stations compared,
    and from each number down to the report of the run with its pictures. The pages follow the logbook by themselves.

    Nothing can be changed: the database is opened for reading alone. Filters are in the address, spelt as the options
    of other commands: day?station=line_2. It runs until Ctrl-C.
    """
    from wavewright.pages.serve import ServedAt, serve_logbook

    def opened(address: str) -> None:
        print(f"serving {logbook or 'your own logbook'}: {address}", flush=True)
        if "token=" in address:
            print("the address lets in whoever has it; a browser keeps that in a cookie", file=sys.stderr)

    served = ServedAt(host, port, tuple(name or ()), token_file, proxy_header, tuple(proxy or ()), opened)
    serve_logbook(logbook, captures, served)
