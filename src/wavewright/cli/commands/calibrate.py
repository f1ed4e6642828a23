"""`wavewright calibrate RECIPE`: find the corrections of a digitizer, and bring them into the file of its bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.bench_choice import chosen_bench
from wavewright.cli.operator_terminal import OperatorTerminal
from wavewright.cli.options import Bench, Draw, Instruments, LogbookAt, Seed, Settings, read_instruments, read_settings
from wavewright.cli.output import AsJson, console, print_json
from wavewright.errors import WavewrightError

if TYPE_CHECKING:
    from wavewright.logbook.kept_calibration import Calibration


def calibrate(
    recipe: Annotated[Path, typer.Argument(help="A recipe with `calibration:`.")],
    *,
    bench: Bench = None,
    settings: Settings = None,
    instrument: Instruments = None,
    operator: Annotated[str, typer.Option(help="Who calibrates; written beside each correction.")] = "",
    valid_for: Annotated[int, typer.Option(help="Days until the corrections are due.")] = 365,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Measure, and show the corrections; the file is not written.")
    ] = False,
    out: Annotated[Path, typer.Option(help="Folder of the evidence.")] = Path("outcomes"),
    yes: Annotated[
        bool, typer.Option("--yes", help="Unattended: cautions and probe places are shown, not confirmed.")
    ] = False,
    seed: Seed = None,
    draw: Draw = None,
    logbook: LogbookAt = None,
    no_logbook: Annotated[bool, typer.Option("--no-logbook", help="Do not enter the run into a logbook.")] = False,
    as_json: AsJson = False,
) -> int:
    """Find the corrections of a digitizer, and keep them.

    Measures the errors of its inputs, and brings their corrections into the file of the bench.

    The bench is measured without corrections. Outputs are off before anything is written. Other entries of the file
    are kept, and a correction that is replaced is noted in the new one. Exit status 3 if no corrections come of it.
    """
    from wavewright.instruments.bench_file import load_bench
    from wavewright.logbook.default_location import usual_logbook
    from wavewright.logbook.kept_calibration import calibrate as run_calibration
    from wavewright.recipe.load import load_recipe
    from wavewright.running.interruption import Interrupted
    from wavewright.running.run_options import RunOptions
    from wavewright.running.shipped_files import find_file

    there = load_bench(chosen_bench(bench, recipe), is_corrected=False)
    wanted = load_recipe(find_file(recipe), set=read_settings(settings))
    desk = OperatorTerminal(console(stderr=True), is_attended=not yes)
    options = RunOptions(
        operator=operator,
        out=out,
        logbook=None if no_logbook else logbook or usual_logbook(),
        instruments=read_instruments(instrument),
        seed=seed,
        draw=draw,
        desk=desk,
        progress=desk,
        say=desk.say,
    )
    try:
        done = run_calibration(wanted, there, options, valid_for=valid_for, is_tried=dry_run)
    except Interrupted as fault:
        desk.say(f"{fault}: outputs are off, and no correction was written")
        return WavewrightError.exit_status
    finally:
        desk.close()
    _show(done, as_json=as_json)
    return 0


def _show(done: Calibration, *, as_json: bool) -> None:
    new = done.written.new
    if as_json:
        print_json(
            {
                "file": str(done.file),
                "written": done.is_written,
                "evidence": done.outcome.id or str(done.outcome.folder),
                "corrections": [
                    {key: str(value) for key, value in one.model_dump(exclude_none=True).items()} for one in new
                ],
                "kept": done.written.kept,
            }
        )
        return
    for one in new:
        print(f"{one}{f' (before: {one.replaces})' if one.replaces else ''}")
    word = "written to" if done.is_written else "not written (--dry-run):"
    print(f"{len(new)} corrections, due {new[0].due}, {word} {done.file}; {done.written.kept} others are kept")
