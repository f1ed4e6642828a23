"""`wavewright simulate BENCH`: the simulated instruments over TCP, for any program to be pointed at."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from wavewright.cli.completion import complete_bench
from wavewright.cli.options import Seed


def simulate(
    bench: Annotated[
        Path,
        typer.Argument(
            help="A bench file of simulated instruments, such as sim/bench.yaml.", autocompletion=complete_bench
        ),
    ],
    *,
    write_bench: Annotated[
        Path | None, typer.Option(help="Write a bench file that points at the sockets, once they listen.")
    ] = None,
    hislip: Annotated[bool, typer.Option("--hislip", help="HiSLIP (IVI-6.1) in place of raw sockets.")] = False,
    host: Annotated[
        str, typer.Option(help="The address to listen on; give another one to let other machines in.")
    ] = "127.0.0.1",
    latency: Annotated[
        str | None,
        typer.Option(
            help="Send each answer only after this time, such as `5ms`, as an instrument on a LAN does. The readings "
            "are the same."
        ),
    ] = None,
    seed: Seed = None,
) -> None:
    """Serve the instruments of a simulated bench over TCP.

    It serves until Ctrl-C or SIGTERM. With the file that --write-bench names, `wavewright run RECIPE --bench FILE` runs
    over a real network path.
    """
    from wavewright.errors import Misuse
    from wavewright.instruments.simulated import fresh_draw
    from wavewright.quantities import read_quantity
    from wavewright.running.shipped_files import find_file
    from wavewright.simulation.server.serving import serve

    def say(line: str) -> None:
        print(line, file=sys.stderr, flush=True)

    draw = fresh_draw() if seed is None else seed
    try:
        wait = 0.0 if latency is None else read_quantity(latency, unit="s", least=0.0).value
    except Misuse as fault:
        fault.where = "--latency"
        raise
    serve(
        find_file(bench),
        hislip=hislip,
        host=host,
        write_bench=write_bench,
        seed=seed,
        draw=draw,
        latency=wait,
        say=say,
    )
