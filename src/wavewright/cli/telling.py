"""`--tell`: who hears of each outcome, and what is said of those that were not told."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.completion import complete_run
from wavewright.cli.options import LogbookAt
from wavewright.cli.output import print_json
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.running.outcome import Outcome

TellCommand = Annotated[
    str | None,
    typer.Option(
        "--tell",
        metavar="COMMAND",
        envvar="WAVEWRIGHT_TELL",
        help="A command that is started for each outcome, and gets it as JSON on its standard input; no shell.",
    ),
]
TellFile = Annotated[
    Path | None,
    typer.Option(
        "--tell-file",
        envvar="WAVEWRIGHT_TELL_FILE",
        help="A file that gets a line of JSON for each outcome.",
    ),
]


@contextmanager
def telling(
    command: str | None, file: Path | None, *, out: Path, station: str, batch: str, say: Callable[[str], None]
) -> Iterator[Callable[[Outcome], None]]:
    """A function that tells of an outcome and does not wait; the end of the block waits a while for what is left.

    Raises
    ------
    Misuse : the command or the file cannot be told anything; before anything is run.
    """
    if not command and file is None:
        yield lambda outcome: None
        return
    from dataclasses import replace

    from wavewright.logbook.book import new_id
    from wavewright.logbook.tables import GOLDEN_BATCH
    from wavewright.logbook.teller import Teller, receivers, told_lines, untold_beside
    from wavewright.logbook.told_outcome import told_outcome

    untold = untold_beside(out)
    teller = Teller(receivers(command, file), untold)

    def tell(outcome: Outcome) -> None:
        named = outcome if outcome.id else replace(outcome, id=new_id(outcome))
        where = GOLDEN_BATCH if outcome.golden else batch  # as the logbook has it
        if why := teller.put(told_outcome(named, station=station, batch=where)):
            say(f"the outcome cannot be put aside to be told: {why}")

    try:
        yield tell
    finally:
        for line in told_lines(teller.close(), untold):
            say(line)


def tell(
    runs: Annotated[
        list[str] | None,
        typer.Argument(help="Ids of runs to be told again; if left out, what waits.", autocompletion=complete_run),
    ] = None,
    *,
    command: TellCommand = None,
    file: TellFile = None,
    out: Annotated[Path, typer.Option(help="Folder of the evidence, which has the untold outcomes in it.")] = Path(
        "outcomes"
    ),
    schema: Annotated[bool, typer.Option("--schema", help="Print the JSON Schema of a message.")] = False,
    logbook: LogbookAt = None,
) -> int:
    """Tell other systems of outcomes that they have not heard of.

    What `run --tell` could not tell waits beside the evidence. Exit status 3 if something is still not told.
    """
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.queries import Filter, entries
    from wavewright.logbook.teller import Teller, receivers, told_lines, untold_beside
    from wavewright.logbook.told_outcome import told_outcome, told_schema

    if schema:
        print_json(told_schema())
        return 0
    to = receivers(command, file)
    if not to:
        raise Misuse("nobody to tell", expected="`--tell COMMAND`, or `--tell-file FILE`")
    messages = []
    if runs:
        with Logbook.existing(logbook) as book:
            for run in runs:
                outcome = book.outcome(run)
                near = Filter(since=outcome.started, until=outcome.started + timedelta(microseconds=1))
                entry = next(one for one in entries(book, near) if one.id == outcome.id)
                messages.append(told_outcome(outcome, station=entry.station, batch=entry.batch))
    untold = untold_beside(out)
    teller = Teller(to, untold)
    faults = [why for message in messages if (why := teller.put(message))]
    done = teller.close(wait=3600.0)
    for line in (*faults, *told_lines(done, untold)):
        typer.echo(line, err=True)
    print(f"{done.taken} outcomes told")
    return 3 if faults or done.faults else 0
