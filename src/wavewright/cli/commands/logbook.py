"""`wavewright logbook`: the runs that were made: find, show, trend, export, verify."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli import logbook_quarantine as quarantine
from wavewright.cli import logbook_upkeep as upkeep
from wavewright.cli.attaching import attach, note
from wavewright.cli.completion import complete_reading, complete_run
from wavewright.cli.options import CapturesAt, LogbookAt
from wavewright.cli.output import AsJson, console, print_json
from wavewright.cli.picture_option import TERMINAL, PictureAt, show_pictures
from wavewright.cli.run_filter import WithSimulated, real_runs, with_run_filter
from wavewright.cli.run_table import show_runs, show_unfinished
from wavewright.cli.telling import tell
from wavewright.errors import StorageFault

if TYPE_CHECKING:
    from wavewright.logbook.queries import Filter, RunEntry

MOST_POINTS = 5000  # single readings that are drawn, the newest ones

commands = typer.Typer(help="The runs that were made: find, show, trend, export, verify.", no_args_is_help=True)

Run = Annotated[str, typer.Argument(help="Id of a run, its beginning, or `last`.", autocompletion=complete_run)]
EvidenceFolder = Annotated[Path, typer.Option("--out", help="Folder of the evidence, as for `run`.")]


@commands.command("list")
def list_runs(
    most: Annotated[int, typer.Option(min=1, help="Maximum number of runs, the newest first.")] = 50,
    unfinished: Annotated[
        bool, typer.Option("--unfinished", help="List the runs that have no outcome: still running, or interrupted.")
    ] = False,
    out: EvidenceFolder = Path("outcomes"),
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """List the newest runs, or those that were interrupted.

    Interrupted runs are looked for in the folder of the evidence.
    """
    if unfinished:
        show_unfinished(out, as_json)
        return
    show_runs(*_entries(logbook, most), as_json)


@commands.command()
@with_run_filter
def find(
    *,
    which: Filter,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Find runs by part, serial number, verdict and the like.

    All filters that are given must match.
    """
    show_runs(*_entries(logbook, None, which), as_json)


@commands.command()
def show(
    run: Run,
    *,
    statistics: Annotated[
        bool, typer.Option("--statistics", help="Show the statistics over the shots of each result.")
    ] = False,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> int:
    """Show one run in full; the exit status is that of its verdict."""
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.outcome_files import outcome_as_json
    from wavewright.reporting.console import print_outcome, print_statistics, print_times

    with Logbook.existing(logbook) as book:
        outcome = book.outcome(run)
    if as_json:
        print_json({**outcome_as_json(outcome), "id": outcome.id})
    else:
        print_outcome(outcome, console())
        if statistics:
            print_statistics(outcome, console())
        if outcome.times:
            print_times(outcome, console())
    return outcome.verdict.exit_status


@commands.command()
@with_run_filter
def trend(
    reading: Annotated[
        str, typer.Argument(metavar="READING", help="Such as `rail_noise.ripple`.", autocompletion=complete_reading)
    ],
    *,
    which: Filter,
    simulated: WithSimulated = False,
    out: Annotated[Path | None, typer.Option(help="Draw it into this file too, an .html file.")] = None,
    picture: PictureAt = None,
    logbook: LogbookAt = None,
    as_json: AsJson = False,
) -> None:
    """Show the trend of one reading over time.

    It is drawn in the terminal and, with --out, as a page whose points lead to their runs. Times are UTC.
    """
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.queries import points
    from wavewright.logbook.queries import trend as trend_of
    from wavewright.reporting.trend_text import trend_lines

    with Logbook.existing(logbook) as book:
        which = real_runs(book, which, simulated=simulated)
        found = trend_of(book, reading, which)
        newest = points(book, reading, which, most=MOST_POINTS)
    if as_json:
        print_json(found.as_json())
    else:
        screen = console()
        for line in trend_lines(found, newest, width=screen.width, encoding=screen.encoding):
            screen.print(line, markup=False, soft_wrap=True)
    if out is not None:
        from wavewright.reporting.trend_page import write_trend_page

        write_trend_page(found, newest, out)
    if picture is not None and picture != TERMINAL and found.buckets:
        from wavewright.reporting.chart_pictures import trend_picture
        from wavewright.reporting.trend_text import told_trend

        drawn = trend_picture(found, newest, told=told_trend(found))
        show_pictures([drawn], picture, title=f"Trend of {found.name}", as_json=as_json)


@commands.command()
@with_run_filter
def export(
    file: Annotated[
        Path, typer.Argument(help="`.csv`, `.h5`, `.parquet`: one row per reading; `.jsonl`: one run per line.")
    ],
    *,
    which: Filter,
    logbook: LogbookAt = None,
) -> None:
    """Write runs to a file for other programs.

    With `.jsonl` go notes and attached files, the files in the folder `FILE.jsonl.attached` beside it, and `import`
    takes them in again.
    """
    from wavewright.cli.progress_bar import ProgressBar
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.exchange import export as export_to

    things = "runs" if file.suffix == ".jsonl" else "readings"
    with Logbook.existing(logbook) as book, ProgressBar(console(stderr=True), things) as bar:
        left_out: list[str] = []
        count = export_to(
            book, file, which, say=lambda done, total: bar.update("writing", done, total), tell=left_out.append
        )
    for line in left_out:
        print(line, file=sys.stderr)
    print(f"{file}: {count} {things}")


@commands.command()
def waveforms(
    run: Run,
    out: Annotated[Path, typer.Option(help="Folder for one file per measurement and shot; it is made.")],
    kind: Annotated[str, typer.Option("--format", help="File extension: csv, wav, h5, npz, dif.")] = "csv",
    logbook: LogbookAt = None,
    captures: CapturesAt = None,
) -> None:
    """Write the captures of a run as files that other programs read."""
    from wavewright.cli.progress_bar import ProgressBar
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.formats.catalogue import write_waveforms
    from wavewright.logbook.group_names import group_name

    with Logbook.existing(logbook, captures=captures) as book:
        outcome = book.outcome(run)
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise StorageFault(
                f"the folder cannot be made: {fault.strerror}", where=str(out), do="name another --out"
            ) from fault
        count, total = 0, sum(map(len, outcome.captures.values()))
        with ProgressBar(console(stderr=True), "files") as bar:
            for label, shots in outcome.captures.items():
                for number, shot in enumerate(shots, 1):
                    bar.update("writing", count, total)
                    write_waveforms(out / f"{group_name(label)}-{number:03}.{kind.removeprefix('.')}", shot)
                    count += 1
    print(f"{out}: {count} files")


commands.command()(tell)
commands.command()(attach)
commands.command()(note)
commands.command("import")(upkeep.import_runs)
commands.command("forward")(upkeep.forward_runs)
commands.command()(upkeep.rights)
commands.command()(upkeep.verify)
commands.command()(upkeep.backup)
commands.command()(upkeep.prune)
commands.command()(quarantine.quarantine)
commands.command()(quarantine.release)


def _entries(logbook: str | None, most: int | None, which: object = None) -> tuple[list[RunEntry], frozenset[str]]:
    """The runs, and which units are in quarantine."""
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.line_notes import notes_in
    from wavewright.logbook.quarantine import in_quarantine
    from wavewright.logbook.queries import Filter, entries

    assert which is None or isinstance(which, Filter)
    with Logbook.existing(logbook) as book:
        return entries(book, which, most=most), frozenset(in_quarantine(notes_in(book)))
