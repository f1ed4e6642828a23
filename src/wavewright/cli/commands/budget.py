"""`wavewright budget RUN READING`: what makes a reading of a run uncertain, and by how much."""

from __future__ import annotations

from typing import Annotated

import typer

from wavewright.cli.chosen_run import chosen_run
from wavewright.cli.completion import complete_reading, complete_run
from wavewright.cli.options import LogbookAt
from wavewright.cli.output import AsJson, console, print_json
from wavewright.errors import Misuse
from wavewright.nearest import did_you_mean


def budget(
    run: Annotated[
        str,
        typer.Argument(help="Id of a run, its beginning, `last`, or an evidence folder.", autocompletion=complete_run),
    ],
    reading: Annotated[str, typer.Argument(help="Such as `rail_noise.ripple`.", autocompletion=complete_reading)],
    *,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Print the uncertainty budget of a reading.

    Every contribution, the largest first. u is the standard uncertainty that a contribution makes in the reading, in
    its unit; the share is that of the variance.
    """
    from rich.text import Text

    from wavewright.reporting.budget_table import BUDGET_HEADINGS, budget_as_json, budget_lines, budget_rows
    from wavewright.reporting.console_table import console_table

    results = chosen_run(run, logbook).results
    if reading not in results:
        raise Misuse(
            f"no reading `{reading}` in the run",
            expected=f"one of {', '.join(results)}" if results else "none: the run has no reading",
            do=did_you_mean(reading, results, alike=0.4),
        )
    found = results[reading]
    if as_json:
        print_json({"reading": reading, "metric": found.metric, **budget_as_json(found.reading)})
        return
    shown = console()
    if found.reading.value is None:
        shown.print(f"{reading}: no number: {found.reading.reason}", markup=False, soft_wrap=True)
        return
    for line in budget_lines(found.reading):
        shown.print(f"{reading}: {line}", markup=False, soft_wrap=True)
    table = console_table(BUDGET_HEADINGS, right=("u", "sensitivity", "dof", "share"))
    for row in budget_rows(found.reading):
        table.add_row(*map(Text, row.cells))
    if table.row_count:
        shown.print(table)
