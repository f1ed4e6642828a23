"""`wavewright run RECIPE`: measure, judge, keep the evidence."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wavewright.cli.desk import Desk
from wavewright.cli.options import Bench, LogbookAt, Seed, Settings, read_settings
from wavewright.cli.output import AsJson, console, print_json


def run(
    recipe: Annotated[Path, typer.Argument(help="The recipe.")],
    *,
    bench: Bench = None,
    settings: Settings = None,
    serial: Annotated[str, typer.Option(help="Serial number of the unit under test.")] = "",
    operator: Annotated[str, typer.Option(help="Who stands at the bench.")] = "",
    out: Annotated[Path, typer.Option(help="Folder of the evidence; each run has a folder of its own in it.")] = Path(
        "outcomes"
    ),
    yes: Annotated[
        bool, typer.Option("--yes", help="Unattended: cautions and places are shown, not confirmed.")
    ] = False,
    stop_at_first: Annotated[bool, typer.Option("--stop-at-first", help="Stop after what does not pass.")] = False,
    seed: Seed = None,
    cross_check: Annotated[
        bool, typer.Option("--cross-check", help="List the instrument's own values beside ours.")
    ] = False,
    keep_as: Annotated[
        Path | None, typer.Option(help="Keep the first shot of each measurement in this folder, to compare with later.")
    ] = None,
    full_wire_log: Annotated[
        bool, typer.Option("--full-wire-log", help="Keep records in the wire log too, so that it can be replayed.")
    ] = False,
    logbook: LogbookAt = None,
    no_logbook: Annotated[bool, typer.Option("--no-logbook", help="Enter the outcome into no logbook.")] = False,
    station: Annotated[str, typer.Option(help="Where the bench stands, for the logbook.")] = "",
    wait: Annotated[float, typer.Option(help="How long to wait while another run uses the bench, s.")] = 600.0,
    as_json: AsJson = False,
) -> int:
    """Run a recipe on a bench: set, capture, compute, judge, and keep the evidence.

    Outputs are switched off, and confirmed off, at the end, after any fault, and on Ctrl-C.
    """
    from wavewright.logbook.golden import keep_golden
    from wavewright.logbook.kept_run import DEFAULT_BENCH
    from wavewright.logbook.kept_run import run as run_and_keep
    from wavewright.logbook.outcome_files import outcome_as_json
    from wavewright.logbook.place import usual_logbook
    from wavewright.recipe.load import load_recipe
    from wavewright.reporting.console import print_outcome
    from wavewright.running.shipped import find_file

    desk = Desk(console(stderr=True), is_attended=not yes)
    try:
        outcome = run_and_keep(
            load_recipe(find_file(recipe), set=read_settings(settings)),
            bench=bench or DEFAULT_BENCH,
            serial=serial,
            operator=operator,
            out=out,
            desk=desk,
            progress=desk,
            stop_at_first=stop_at_first,
            seed=seed,
            full_wire_log=full_wire_log,
            cross_check=cross_check,
            logbook=None if no_logbook else (logbook or usual_logbook()),
            station=station,
            patience=wait,
            say=desk.say,
        )
    finally:
        desk.close()
    if keep_as is not None:
        keep_golden(outcome, keep_as)
    if as_json:
        print_json({**outcome_as_json(outcome), "folder": str(outcome.folder), "id": outcome.id})
    else:
        print_outcome(outcome, console())
    return outcome.verdict.exit_status
