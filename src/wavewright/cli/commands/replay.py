"""`wavewright replay WIRELOG RECIPE`: a recipe run on a recorded dialogue instead of instruments."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wavewright.cli.bench_choice import chosen_bench
from wavewright.cli.completion import complete_recipe
from wavewright.cli.operator_terminal import OperatorTerminal
from wavewright.cli.options import Bench, Settings, read_settings
from wavewright.cli.output import AsJson, console, print_json


def replay(
    wire_log: Annotated[Path, typer.Argument(help="The wire.log of a run made with --full-wire-log.")],
    recipe: Annotated[Path, typer.Argument(help="The recipe.", autocompletion=complete_recipe)],
    *,
    bench: Bench = None,
    settings: Settings = None,
    out: Annotated[Path | None, typer.Option(help="Folder of the evidence; none is kept if left out.")] = None,
    as_json: AsJson = False,
) -> int:
    """Run a recipe on a recorded wire log instead of instruments.

    The bench file names the profiles; nothing is sent. In this way a run made elsewhere can be repeated and examined.
    """
    import pyvisa

    from wavewright.instruments.replay import open_replay
    from wavewright.logbook.kept_run import run_and_keep
    from wavewright.logbook.outcome_files import outcome_as_json
    from wavewright.recipe.load import load_recipe
    from wavewright.reporting.console import print_outcome
    from wavewright.running.run_options import RunOptions
    from wavewright.running.shipped_files import find_file

    desk = OperatorTerminal(console(stderr=True), is_attended=False)
    try:
        outcome = run_and_keep(
            load_recipe(find_file(recipe), set=read_settings(settings)),
            RunOptions(out=out, desk=desk, progress=desk),
            bench=chosen_bench(bench, recipe),
            manager=pyvisa.ResourceManager(open_replay(wire_log)),
            pause=lambda seconds: None,
        )
    finally:
        desk.close()
    if as_json:
        print_json(outcome_as_json(outcome))
    else:
        print_outcome(outcome, console())
    return outcome.verdict.exit_status
